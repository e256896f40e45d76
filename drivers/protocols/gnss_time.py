"""Whether a receiver's time may be believed, and which date it means.

Receivers count weeks modulo 1024, and old ones come out with dates 19.6 years back; before
their first fix they send invented times; a date can be missing altogether. The day is put into
the 1024-week turn nearest to the computer's clock (not earlier than this software), and time
counts only with a fix and after several sentences of one kind that advance one after another.

From the Global Positioning System's definition: week 0 began on 1980-01-06, and week 2048, the
second turn, on 2019-04-07.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

    from drivers.protocols.nmea_sentences import Sentence

__all__ = ["BUILT_ON", "NO_TIME_NS", "TimeJudge", "right_turn"]

NO_TIME_NS: Final = -(2**63)
"""Of a sentence without a time to be believed."""
BUILT_ON: Final = date(2026, 11, 1)
"""No clock of a computer that runs this can truly be earlier."""

_NS: Final = 1_000_000_000
_DAY_NS: Final = 86_400 * _NS
_TURN: Final = timedelta(weeks=1024)
_EPOCH: Final = date(1970, 1, 1)
_LONGEST_ADVANCE_NS: Final = 2 * _NS
"""Receivers send once a second or more often: one sentence may be missing between two."""
_FIX_LASTS_NS: Final = 5 * _NS
"""ZDA has no word for a fix and takes that of the sentences around it; some receivers send GGA
every fifth second only."""
_BELIEVABLE: Final = timedelta(days=731)
"""A date moved by whole turns must land this near to the computer's clock."""


def right_turn(day: date, reference: date) -> date | None:
    """Move a date by whole 1024-week turns to where it is nearest to ``reference``.

    Returns
    -------
    date or None
        The day itself when it is within half a turn already; None when moving does not bring it
        within two years, so that it is no rolled-over date but nonsense.
    """
    turns = round((reference - day) / _TURN)
    if turns == 0:
        return day
    moved = day + turns * _TURN
    return moved if abs(moved - reference) <= _BELIEVABLE else None


@dataclass(frozen=True, slots=True)
class _LastTime:
    """The last time of one kind of sentence."""

    utc_ns: int
    advances: int


class TimeJudge:
    """Follows the sentences of one receiver.

    Parameters
    ----------
    confirmations : int
        Sentences of one kind, each later than the one before by at most two seconds, needed
        before the last of them is believed.
    pc_utc_ns : callable, optional
        Nanoseconds since 1970 by the computer's clock.
    """

    def __init__(
        self, *, confirmations: int, pc_utc_ns: Callable[[], int] | None = None
    ) -> None:
        self._confirmations = confirmations
        self._pc_utc_ns = time.time_ns if pc_utc_ns is None else pc_utc_ns
        self._last: dict[str, _LastTime] = {}
        self._fix_ns: int | None = None
        """Host time of the last sentence with a fix; None without one."""
        self._dated_ns: int | None = None
        """Last UTC with a date of its own."""
        self._reported: str = ""

    def doubt(self) -> None:
        """Forget everything that made time believable."""
        self._last.clear()
        self._fix_ns = None
        self._dated_ns = None

    def utc_ns(self, sentence: Sentence, tick_ns: int) -> tuple[int, str]:
        """Give the UTC of a sentence.

        Parameters
        ----------
        sentence : Sentence
        tick_ns : int
            Host monotonic time of its first byte.

        Returns
        -------
        int
            Nanoseconds since 1970, a leap second counted as the one after it;
            :data:`NO_TIME_NS` when it is not to be believed.
        str
            What the crew should know, once; usually empty.
        """
        if sentence.fix:
            self._fix_ns = tick_ns
        elif sentence.kind != "ZDA":
            self.doubt()
        if sentence.second_ns is None or not self.has_fix(tick_ns):
            return NO_TIME_NS, ""
        candidate, words = self._candidate(sentence.day, sentence.second_ns)
        if candidate is None:
            return NO_TIME_NS, words
        believed, stepped = self._follow(sentence.kind, candidate)
        return (candidate if believed else NO_TIME_NS), "; ".join(
            filter(None, (words, stepped))
        )

    def has_fix(self, tick_ns: int) -> bool:
        """Whether a sentence of the last five seconds had a fix."""
        return self._fix_ns is not None and tick_ns - self._fix_ns <= _FIX_LASTS_NS

    def _candidate(self, day: date | None, second_ns: int) -> tuple[int | None, str]:
        if day is None:
            return self._nearest_day(second_ns), ""
        reference = max(_EPOCH + timedelta(seconds=self._pc_utc_ns() // _NS), BUILT_ON)
        right = right_turn(day, reference)
        words = ""
        if right is None:
            words = self._once(f"date {day} cannot be: the computer's clock says {reference}")
            return None, words
        if right != day:
            words = self._once(
                f"receiver's date is behind by {(right - day) // _TURN} turns of 1024 weeks:"
                f" {day} taken as {right}",
                key=f"turns {(right - day) // _TURN}",
            )
        self._dated_ns = (right - _EPOCH).days * _DAY_NS + second_ns
        return self._dated_ns, words

    def _nearest_day(self, second_ns: int) -> int | None:
        """Give a time of day the date that puts it nearest to the last dated time."""
        if self._dated_ns is None:
            return None
        days = round((self._dated_ns - second_ns) / _DAY_NS)
        return days * _DAY_NS + second_ns

    def _follow(self, kind: str, candidate: int) -> tuple[bool, str]:
        last = self._last.get(kind)
        if last is None:
            self._last[kind] = _LastTime(candidate, 1)
            return self._confirmations <= 1, ""
        step_ns = candidate - last.utc_ns
        if 0 <= step_ns <= _LONGEST_ADVANCE_NS:
            advances = last.advances + (step_ns > 0)
            self._last[kind] = _LastTime(candidate, advances)
            return advances >= self._confirmations, ""
        self._last[kind] = replace(last, utc_ns=candidate, advances=1)
        if last.advances < self._confirmations:
            return self._confirmations <= 1, ""
        words = (
            f"{kind} time stepped by {step_ns / _NS:+.3f} s; doubted until it advances again"
        )
        return self._confirmations <= 1, words

    def _once(self, words: str, *, key: str = "") -> str:
        """Report a thing when it begins, not with every sentence."""
        if self._reported == (key or words):
            return ""
        self._reported = key or words
        return words
