"""The trade's words as they are used here, beside those of other railways.

One word is used throughout code, screens and papers; what others call it stands here, once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["NOMENCLATURE", "Term"]


@dataclass(frozen=True, slots=True)
class Term:
    """One word."""

    word: str
    elsewhere: str
    """What other railways call it."""
    meaning: str


NOMENCLATURE: Final = (
    Term("drawbar pull", "coupler force", "at the measuring coupler; tension positive"),
    Term("draft", "tension, pull", "the locomotive draws the train"),
    Term("buff", "compression, thrust", "the train pushes on the locomotive"),
    Term("rim effort", "tractive effort", "of the locomotive, at the rims of its wheels"),
    Term("grade", "gradient", "rise over length; rising in the direction of travel positive"),
    Term("milepost", "kilometre post", "a lineside post, and the number on it"),
    Term("chainage", "stationing", "distance along the route from its origin"),
    Term("car", "wagon, carriage, coach", "one vehicle of the train"),
    Term("consist", "rake, formation", "the vehicles behind the test car"),
    Term("trailing load", "tonnage", "all behind the measuring coupler"),
    Term("throttle", "regulator, notch", "the setting of the locomotive's power"),
    Term("cut-off", "reverser setting", "share of the stroke during which steam is admitted"),
    Term("rotary allowance", "rotating mass", "share of the mass added for turning parts"),
    Term("tonnage rating", "load table", "trailing load over a grade at a least speed"),
    Term("t, short ton, long ton", "metric ton, ton", "1000 kg, 2000 lb, 2240 lb"),
)
