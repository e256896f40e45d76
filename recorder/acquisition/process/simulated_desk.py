"""The crew of a simulated run and the desk they key at: marks and zeros in simulated time."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING, Protocol

from recorder.acquisition.control.requests import KeyedMark, MarkRevision
from recorder.acquisition.field.counts_collector import GRACE_S
from recorder.run.checks.zero_line import ZeroTime

if TYPE_CHECKING:
    import random

    from recorder.acquisition.field.field_checks import FieldChecks, ZeroTaking
    from recorder.acquisition.safekeeping.mark_register import MarkRegister
    from recorder.machine.clocks import RunClock
    from recorder.marks.mark import Mark

__all__ = ["Crew", "Desk"]


class Crew(Protocol):
    """Keys marks in simulated time."""

    def look(self, now_s: float, desk: Desk) -> None:
        """Key what is due by this simulated instant; called after every read."""
        ...


class Desk:
    """Where a simulated crew keys and asks for zeros; instants are simulated seconds of the source.

    ``start_s`` is the one at which run time begins, ``clock`` what clients time their keys by.
    """

    def __init__(
        self,
        marks: MarkRegister,
        checks: FieldChecks,
        clock: RunClock,
        start_s: float,
        chance: random.Random,
    ) -> None:
        self._marks, self._checks, self._clock = marks, checks, clock
        self._start_s, self._chance = start_s, chance
        self._taking: ZeroTaking | None = None

    def run_s(self, simulated_s: float) -> float:
        """Run time of a simulated instant."""
        return simulated_s - self._start_s

    def key(self, kind: str, value: str, at_s: float, *, note: str = "") -> Mark:
        """Take a mark keyed at that instant, which has passed.

        Raises
        ------
        MarkRefusedError, MarkError
            Nothing was kept.
        """
        at = self.run_s(at_s)
        keyed = KeyedMark(
            mark_id=uuid.UUID(int=self._chance.getrandbits(128), version=4).hex,
            kind=kind,
            keyed_monotonic_ns=self._clock.instant_ns(at),
            value=value,
            note=note,
        )
        # Exactly, whatever the pace that the clients' clock is told by.
        return self._marks.take(keyed, at)

    def revise(self, mark: Mark) -> Mark:
        """Keep a revision (``mark.revised(...)``). Raises as :meth:`key`."""
        return self._marks.revise(MarkRevision(mark))

    def take_zero(self, at_s: float, seconds: float) -> None:
        """Ask for a zero of every force channel over so many seconds from then on, which is not
        past; one at a time. It is kept, or refused by its guards, once they have passed."""
        begin_s = self.run_s(at_s)
        self._taking = self._checks.begin(begin_s, begin_s + seconds)

    def look(self, now_s: float) -> None:
        """Keep the zero asked for, once its time and what is late of it have passed."""
        if self._taking is None:
            return
        counts = self._taking.counts
        if self.run_s(now_s) >= counts.stop_s + GRACE_S:
            taking, self._taking = self._taking, None
            middle_s = (counts.start_s + counts.stop_s) / 2.0
            self._checks.finish(taking, t_s=middle_s, when=ZeroTime.DURING)
