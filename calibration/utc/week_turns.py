"""Receivers count weeks modulo 1024: an old one's date comes out 19.6 years back.

From the Global Positioning System's definition: week 0 began on 1980-01-06, and week 2048, the
second turn, on 2019-04-07. Which turn is meant another witness says: the computer's clock, or the
trip sheet's day.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.utc.spans import DAY_NS, TURN_DAYS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from calibration.utc.computer_line import ComputerLine
    from calibration.utc.utc_witnesses import UtcEvidence

__all__ = ["in_right_turn"]

NEAR_NS: Final = 2 * DAY_NS
"""A date moved by whole turns lands this near to what the other witness says: a clock set to local
time, or to the day before, is no further off. One that does not is wrong in another way."""
TURN_NS: Final = TURN_DAYS * DAY_NS


def in_right_turn(
    evidence: UtcEvidence, computer: ComputerLine | None
) -> tuple[UtcEvidence, int]:
    """Move sentences forward by whole turns to where another witness is; the most they moved.

    Those whose date can be, since this version was made, and those that lie near to no witness
    in any turn are left alone. The sheet's day is heard first: a computer may have its time from a
    receiver whose weeks are counted as wrongly.
    """
    sent = evidence.sentence_utc_ns
    turns = np.zeros(len(sent), np.int64)
    for said_ns in _said(evidence, computer):
        by = np.round((said_ns - sent) / TURN_NS).astype(np.int64)
        near = np.abs(sent + by * TURN_NS - said_ns) <= NEAR_NS
        turns = np.where((turns == 0) & near & (by > 0), by, turns)
    turns[sent >= evidence.built_ns] = 0
    if not turns.any():
        return evidence, 0
    return replace(evidence, sentence_utc_ns=sent + turns * TURN_NS), int(turns.max())


def _said(evidence: UtcEvidence, computer: ComputerLine | None) -> Iterator[NDArray[np.int64]]:
    """(n,) UTC at each sentence, by every other witness that can be right."""
    t = evidence.awake_s(evidence.sentence_t_s)
    if evidence.trip_ns is not None:
        first, last = evidence.trip_ns
        yield np.full(len(t), first + (last - first) // 2, np.int64)
    if computer is not None:
        said_ns = computer.utc_ns(t)
        if np.all(said_ns >= evidence.built_ns):
            yield said_ns
