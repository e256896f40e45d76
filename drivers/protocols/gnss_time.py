"""Whether a receiver's time may be believed.

Before their first fix receivers send invented times, and a date can be missing altogether. Time
counts only with a fix and after several sentences of one kind that advance one after another.
What it says is handed on as it is, a date in the wrong turn of 1024 weeks too: which day it can
be is judged beside all other witnesses.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from drivers.protocols.nmea_sentences import Sentence

__all__ = ["NO_TIME_NS", "TimeJudge"]

NO_TIME_NS: Final = -(2**63)
"""Of a sentence without a time to be believed."""

_NS: Final = 1_000_000_000
_DAY_NS: Final = 86_400 * _NS
_EPOCH: Final = date(1970, 1, 1)
_LONGEST_ADVANCE_NS: Final = 2 * _NS
"""Receivers send once a second or more often: one sentence may be missing between two."""
_FIX_LASTS_NS: Final = 5 * _NS
"""ZDA has no word for a fix and takes that of the sentences around it; some receivers send GGA
every fifth second only."""


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
    """

    def __init__(self, *, confirmations: int) -> None:
        self._confirmations = confirmations
        self._last: dict[str, _LastTime] = {}
        self._fix_ns: int | None = None
        """Host time of the last sentence with a fix; None without one."""
        self._dated_ns: int | None = None
        """Last UTC with a date of its own."""

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
            What the crew should know; usually empty.
        """
        if sentence.fix:
            self._fix_ns = tick_ns
        elif sentence.kind != "ZDA":
            self.doubt()
        if sentence.second_ns is None or not self.has_fix(tick_ns):
            return NO_TIME_NS, ""
        candidate = self._candidate(sentence.day, sentence.second_ns)
        if candidate is None:
            return NO_TIME_NS, ""
        believed, words = self._follow(sentence.kind, candidate)
        return (candidate if believed else NO_TIME_NS), words

    def has_fix(self, tick_ns: int) -> bool:
        """Whether a sentence of the last five seconds had a fix."""
        return self._fix_ns is not None and tick_ns - self._fix_ns <= _FIX_LASTS_NS

    def _candidate(self, day: date | None, second_ns: int) -> int | None:
        if day is None:
            return self._nearest_day(second_ns)
        self._dated_ns = (day - _EPOCH).days * _DAY_NS + second_ns
        return self._dated_ns

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
