"""From "the force is reached" to a mean: the wait, then the counts. One reading at a time."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NoReturn

from calibration.bench.bench_reading import BenchError
from calibration.bench.pending_reading import check_seconds
from calibration.bench.plan import PlanStep

if TYPE_CHECKING:
    from calibration.bench.live_counts import ChannelStretch, LiveCounts
    from calibration.bench.pending_reading import PendingReading

__all__ = ["Gathered", "Gathering"]

# Shares of the asked seconds: covered by counts at least, without a count at most.
_MIN_FILL: Final = 0.5
_MAX_GAP: Final = 0.25
_MOST_AGAIN: Final = 3
"""Readings spoilt by a pause of the counts before the person is asked."""


@dataclass(frozen=True, slots=True)
class Gathered:
    """A reading whose seconds have passed."""

    pending: PendingReading
    cell: ChannelStretch
    standard: ChannelStretch | None
    waited_s: float


@dataclass(frozen=True, slots=True)
class _Held:
    """A force reached and still there: its clock goes on from reading to reading."""

    applied_kN: float
    position_deg: float
    reached_s: float
    restarts: int


class Gathering:
    """Used by the session's thread."""

    def __init__(self, live: LiveCounts) -> None:
        self._live = live
        self._pending: PendingReading | None = None
        self._held: _Held | None = None
        self._told: list[tuple[str, str]] = []

    @property
    def pending(self) -> PendingReading | None:
        """The reading waited for or gathered; None between readings."""
        return self._pending

    def told(self) -> list[tuple[str, str]]:
        """(kind, text) of what happened since this was last asked, for the session's events."""
        told, self._told = self._told, []
        return told

    def begin(self, pending: PendingReading) -> PendingReading:
        """The force is reached now; raises ``BenchError`` where no counts come."""
        check_seconds(pending.seconds)
        latest = self._live.latest_s
        if latest is None:
            msg = "no counts are coming from the cell: check device, port and channel"
            raise BenchError(msg)
        self._live.keep(pending.seconds)
        restarts = self._live.restarts
        reached_s = self._held_since(pending.step, restarts, latest)
        self._pending = replace(pending, reached_s=reached_s, restarts=restarts)
        if pending.step.settle_s <= 0.0 and pending.patience_s <= 0.0:
            self._pending = replace(self._pending, start_s=latest)
        return self._pending

    def _held_since(self, step: PlanStep, restarts: int, latest_s: float) -> float:
        """Zero after zero, or a hold read twice: the clock of the first goes on."""
        held = self._held
        if (
            held is None
            or step.kind not in ("zero", "creep")
            or held.restarts != restarts
            or (held.applied_kN, held.position_deg) != (step.applied_kN, step.position_deg)
        ):
            return latest_s
        return min(held.reached_s, latest_s)

    def hurry(self, reason: str) -> None:
        """Cut the wait short; raises ``BenchError`` when nothing is waited for."""
        pending = self._pending
        if pending is None or pending.start_s is not None:
            msg = "nothing is waited for: say first that the force is reached"
            raise BenchError(msg)
        self._pending = replace(pending, start_s=self._live.latest_s, hurried=reason)

    def check_idle(self) -> None:
        """Raise ``BenchError`` while a reading is waited for or gathered."""
        if self._pending is not None:
            msg = f"step {self._pending.step.number} is being read: give it up first, or wait"
            raise BenchError(msg)

    def give_up(self) -> None:
        """No reading is gathered any more."""
        self._pending = None

    def taken(self, gathered: Gathered) -> None:
        """The reading was committed: its force may still be held for the next one."""
        step, pending = gathered.pending.step, gathered.pending
        self._held = _Held(
            step.applied_kN, step.position_deg, pending.reached_s, pending.restarts
        )

    def left_s(self) -> float | None:
        """Seconds still to be waited; 0 once only a still signal is wanting, None otherwise."""
        pending, latest = self._pending, self._live.latest_s
        if pending is None or pending.start_s is not None or latest is None:
            return None
        return max(0.0, pending.step.settle_s - (latest - pending.reached_s))

    def look(self) -> Gathered | None:
        """The reading once its seconds have passed; None while they have not.

        Raises
        ------
        BenchError
            Saturated counts, a device that restarted, counts that paused again and again:
            no reading can be made of it. The reading is given up.
        """
        pending, latest = self._pending, self._live.latest_s
        if pending is None or latest is None:
            return None
        if self._live.restarts != pending.restarts:
            self._restarted(pending, latest)
            return None
        if pending.start_s is None:
            self._wait(pending, latest)
            return None
        if latest < pending.start_s + pending.seconds:
            return None
        return self._gathered(pending, pending.start_s, latest)

    def _restarted(self, pending: PendingReading, latest_s: float) -> None:
        """While it is waited the wait begins anew; while counts are gathered they are no use."""
        if pending.start_s is not None:
            self._spoilt("the device restarted meanwhile")
        step = pending.step
        self._told.append(("restarted", f"step {step.number}: the device; waited for anew"))
        self._pending = replace(pending, reached_s=latest_s, restarts=self._live.restarts)

    def _wait(self, pending: PendingReading, latest_s: float) -> None:
        waited_s = latest_s - pending.reached_s
        if waited_s < pending.step.settle_s:
            return
        patience_s = max(pending.step.settle_s, pending.patience_s)
        if waited_s >= patience_s or self._live.stability().stable:
            self._pending = replace(pending, start_s=latest_s)

    def _gathered(
        self, pending: PendingReading, start_s: float, latest_s: float
    ) -> Gathered | None:
        cell, standard = self._live.over(start_s, pending.seconds)
        if (
            cell is None
            or cell.mean.seconds < _MIN_FILL * pending.seconds
            or cell.mean.longest_gap_s > _MAX_GAP * pending.seconds
        ):
            self._paused(pending, latest_s)
            return None
        for name, channel in (("", cell), (" of the reference cell", standard)):
            if channel is not None and channel.verdict.at_rail:
                self._spoilt(f"the converter{name} stood at its rail (saturated)")
        self._pending = None
        return Gathered(pending, cell, standard, start_s - pending.reached_s)

    def _paused(self, pending: PendingReading, latest_s: float) -> None:
        if pending.again >= _MOST_AGAIN:
            self._spoilt(f"the counts paused in {_MOST_AGAIN + 1} readings on end")
        text = f"step {pending.step.number}: the counts paused; the reading began again"
        self._told.append(("paused", text))
        self._pending = replace(pending, start_s=latest_s, again=pending.again + 1)

    def _spoilt(self, why: str) -> NoReturn:
        self._pending = None
        raise BenchError(why)
