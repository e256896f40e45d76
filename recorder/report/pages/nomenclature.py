"""Symbols with their units, and the trade's words beside those of other railways.

One word is used throughout code, screens and papers; what others call it stands here, once.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["NOMENCLATURE", "SYMBOLS", "Symbol", "Term"]


@dataclass(frozen=True, slots=True)
class Symbol:
    """One letter of a formula."""

    symbol: str
    quantity: str
    unit: str
    """Inside; each edition shows its own. Empty: a plain number."""
    meaning: str


SYMBOLS: Final = (
    Symbol("P", "drawbar pull", "kN", "at the measuring coupler; tension positive"),
    Symbol("P₀", "equivalent drawbar pull", "kN", "on level, straight track at constant speed"),
    Symbol("V", "speed", "km/h", "of the train, by the measuring wheel"),
    Symbol("N", "drawbar power", "kW", "pull times speed"),
    Symbol("E", "work", "kJ", "at the drawbar: pull over distance"),
    Symbol("m", "mass", "t", "of the vehicles on one side of the measuring coupler"),
    Symbol("W", "trailing load", "t", "mass of all behind the measuring coupler"),
    Symbol("a", "acceleration", "m/s²", "of the train"),
    Symbol("γ", "rotary allowance", "", "share of the mass added for turning parts"),
    Symbol("i", "grade", "", "rise over length; rising in the direction of travel positive"),
    Symbol("R", "radius of curve", "m", "of the track"),
    Symbol("r", "train resistance", "N/t", "rolling resistance of a unit of trailing load"),
    Symbol("A", "constant term of r", "N/t", "of the fit"),
    Symbol("B", "term of r with speed", "N/t/(km/h)", "of the fit"),
    Symbol("C", "term of r with speed squared", "N/t/(km/h)²", "of the fit"),
    Symbol("w", "weather factor", "", "on the pull, in the tonnage rating"),
    Symbol("u", "standard uncertainty", "", "in the unit of its quantity"),
    Symbol("U, ±", "expanded uncertainty", "", "for 95 %, in the unit of its quantity"),
)


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
    Term("tonnage rating", "load table", "trailing load over a grade at a minimum speed"),
    Term("minimum speed", "critical speed", "the speed a tonnage rating holds at"),
    Term("balancing speed", "equilibrium speed", "pull and resistance are equal on a grade"),
    Term(
        "test section",
        "steady section, stretch",
        "a time of the run in which nothing changes that matters; it may be judged",
    ),
    Term("margin", "surplus", "equivalent drawbar pull less the specified pull"),
    Term(
        "energy balance",
        "energy account",
        "work at the drawbar against what became of it; the rest is unaccounted for",
    ),
    Term("t, short ton, long ton", "metric ton, ton", "1000 kg, 2000 lb, 2240 lb"),
)
