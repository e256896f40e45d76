"""One device's records on run time: its clock line, its gaps, where the run begins. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING, Protocol

import numpy as np

from calibration.clock.live_tick_clock import LiveTickClock
from recorder.run.parts.block import Block
from recorder.run.parts.gap import Cause, Gap
from recorder.run.parts.silence import QUIET_S, Rhythm

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.clock.tick_line import TickLine
    from drivers.interface.driver_interface import Batch, Fault

__all__ = ["DeviceStream", "TickClock"]


class TickClock(Protocol):
    """Ties ticks to run time as they come (``calibration.clock.live_tick_clock.LiveTickClock``)."""

    def update(self, tick: int, received_s: float) -> TickLine:
        """The line on which a record lies whose last byte came at ``received_s``."""
        ...


@dataclass(slots=True)
class _Pending:
    """A fault whose end has not been seen."""

    cause: Cause
    detail: str
    t_start_s: float
    lost_records: int = 0
    times: int = 1


class DeviceStream:
    """Turns what one device's reads brought into blocks on run time, and gaps.

    Parameters
    ----------
    make_clock
        Gives a fresh clock, at the beginning and after a restart of the device.
    from_start_only
        Leave out records before run time 0 (they were taken for the zero); otherwise every
        record is kept, whatever its time.
    interval_s
        Usual time between its records, s, as far as it is stated: see
        :class:`~recorder.run.parts.silence.Rhythm`.
    """

    def __init__(
        self,
        device: str,
        *,
        make_clock: Callable[[], TickClock],
        from_start_only: bool,
        interval_s: float = 0.0,
    ) -> None:
        self.device = device
        self.total = 0
        """Records of the run so far."""
        self.seen = 0
        """Records so far, with those from before the run."""
        self.gaps = 0
        self.lost_records = 0
        self.bytes_dropped = 0
        """Bytes that came and became no record."""
        self.partial_bytes = 0
        """Of frames half sent when the port was opened, or when the link was lost."""
        self.cut_bytes = 0
        """Of a frame half sent at the stop."""
        self.last_fault = ""
        self.last_fault_t_s: float | None = None
        self._make_clock = make_clock
        self._clock = make_clock()
        self._waiting = from_start_only
        self._rhythm = Rhythm(interval_s)
        self._since_s = 0.0
        self._last_t: float | None = None
        self._pending: list[_Pending] = []

    @property
    def tick_rate(self) -> tuple[float, float] | None:
        """Rate of lateness of the device's clock, s/s (above 0: slow), and its standard
        uncertainty; None where its ticks are the computer's or go by themselves."""
        clock = self._clock
        return (clock.rate, clock.u_rate) if isinstance(clock, LiveTickClock) else None

    @property
    def pace_beyond(self) -> float | None:
        """Seconds of the device in one of the computer's, where no clock can be so far off."""
        return self._clock.pace_beyond if isinstance(self._clock, LiveTickClock) else None

    @property
    def begun(self) -> bool:
        """Whether a record of the run has come."""
        return self.total > 0

    @property
    def quiet_after_s(self) -> float:
        """From how many seconds without a record on it is silent."""
        return self._rhythm.quiet_after_s

    def listen(self, now_s: float) -> None:
        """It is read from now on: before, nothing could come."""
        self._since_s = max(now_s, 0.0)

    def take(
        self, batch: Batch, received_s: float
    ) -> tuple[list[Gap], list[Block], list[Block]]:
        """Take up what one read brought.

        Returns
        -------
        gaps
            Ended by these records, to be kept before them.
        blocks
            Records of the run, in order.
        before
            Records from before the run.
        """
        whole = self._lines(batch, received_s)
        self.partial_bytes += batch.partial_bytes
        for fault in batch.faults:
            self.bytes_dropped += fault.bytes_dropped
            self._note(Cause(fault.cause), fault.detail, received_s, lost=fault.lost_records)
        if not whole:
            self._hold(batch.faults, received_s)
            return [], [], []
        times = np.concatenate([block.time_s() for block in whole])
        skipped = self._skipped(times)
        gaps = self._ended(batch.faults, times, skipped)
        gaps += self._silences(times, skipped, {gap.before_record for gap in gaps})
        self._rhythm.heard(received_s)
        before, blocks = _cut(whole, skipped)
        missing = {gap.before_record - self.total for gap in gaps}
        self.total += len(times) - skipped
        self.seen += len(times)
        self._last_t = float(times[-1])
        return gaps, _flagged(blocks, missing), before

    def lost(self, why: str, now_s: float, *, cause: Cause = Cause.LINK_LOST) -> None:
        """The link is gone: a gap has begun."""
        self._note(cause, why, now_s)
        self._begin(cause, why, now_s)

    def finish(self, end_s: float, *, hangs: str = "", with_feed: bool = False) -> list[Gap]:
        """Gaps up to the end of the run: from the last record on, unless that is just past.

        Parameters
        ----------
        end_s
            Run time of the stop, or of the last record of all devices; a run that never began
            has no gap.
        hangs
            Why it could not be asked to end, in words; empty when it has ended.
        with_feed
            The feed itself ended: a link lost with all the others is no gap.
        """
        if end_s <= 0.0:
            return []
        heard = self._since_s if self._rhythm.last_s is None else self._rhythm.last_s
        silent = end_s - max(heard, 0.0) > self.quiet_after_s
        if with_feed and not silent:
            self._pending = [p for p in self._pending if p.cause is not Cause.LINK_LOST]
        if hangs:
            self._note(Cause.HANGS, hangs, end_s)
            self._pending.append(_Pending(Cause.HANGS, hangs, self._from_s()))
        elif silent and not self._pending:
            words = self._silence(end_s - max(heard, 0.0))
            self._note(Cause.SILENT, words, end_s)
            self._pending.append(_Pending(Cause.SILENT, words, self._from_s()))
        gaps = [self._gap(p, max(end_s, p.t_start_s), self.total) for p in self._pending]
        self._pending.clear()
        return gaps

    # ------------------------------------------------------------------ parts

    def _note(self, cause: Cause, detail: str, now_s: float, *, lost: int = 0) -> None:
        self.last_fault = f"{cause}: {detail}"
        self.last_fault_t_s = now_s
        self.lost_records += lost

    def _lines(self, batch: Batch, received_s: float) -> list[Block]:
        """The records as blocks, cut where the device began anew: a line holds for one start."""
        n = len(batch.records)
        restarts = {f.before_record for f in batch.faults if Cause(f.cause).restarts_count}
        bounds = sorted({0, n, *(i for i in restarts if i < n)})
        blocks = []
        for start, stop in pairwise(bounds):
            if start in restarts:
                self._clock = self._make_clock()
            records = batch.records[start:stop]
            line = self._clock.update(int(records["tick"][-1]), received_s)
            blocks.append(
                Block(device=self.device, records=records, line=line, received_s=received_s)
            )
        if n in restarts:
            self._clock = self._make_clock()
        return blocks

    def _skipped(self, times: NDArray[np.float64]) -> int:
        """How many leading records are from before the run."""
        if not self._waiting:
            return 0
        inside = np.flatnonzero(times >= 0.0)
        if not len(inside):
            return len(times)
        self._waiting = False
        return int(inside[0])

    def _hold(self, faults: tuple[Fault, ...], now_s: float) -> None:
        for fault in faults:
            self._begin(Cause(fault.cause), fault.detail, now_s, lost=fault.lost_records)

    def _begin(self, cause: Cause, detail: str, now_s: float, *, lost: int = 0) -> None:
        """A fault with no good record after it yet; the same cause again makes it longer."""
        for held in self._pending:
            if held.cause is cause and not cause.restarts_count:
                held.lost_records += lost
                held.times += 1
                held.detail = detail
                return
        self._pending.append(_Pending(cause, detail, min(self._from_s(), now_s), lost))

    def _from_s(self) -> float:
        """Where a gap begins that is met now: at the last record, or where we began to listen."""
        return self._since_s if self._last_t is None else self._last_t

    def _silence(self, lasted_s: float) -> str:
        usual_s = self._rhythm.usual_s
        usually = f", usually one in {usual_s:.3g} s" if usual_s else ""
        if self._rhythm.last_s is None:
            return f"no record in {lasted_s:.1f} s{usually}"
        return f"no record for {lasted_s:.1f} s{usually}"

    def _silences(self, times: NDArray[np.float64], skipped: int, told: set[int]) -> list[Gap]:
        """Silences that no fault explains, ended by records of the run."""
        if skipped == len(times):
            return []
        before = times[skipped - 1] if skipped else self._from_s()
        steps = times[skipped:] - np.concatenate(([before], times[skipped:-1]))
        if steps.max() <= QUIET_S:
            return []
        gaps = []
        for i in np.flatnonzero(steps > self.quiet_after_s).tolist():
            if self.total + i in told:
                continue
            t_s, words = float(times[skipped + i]), self._silence(float(steps[i]))
            self._note(Cause.SILENT, words, t_s)
            start_s = t_s - float(steps[i])
            gaps.append(self._gap(_Pending(Cause.SILENT, words, start_s), t_s, self.total + i))
        return gaps

    def _ended(
        self, faults: tuple[Fault, ...], times: NDArray[np.float64], skipped: int
    ) -> list[Gap]:
        n = len(times)
        gaps = []
        if skipped < n:
            # Met before the run, and over before it began: not of this run.
            held = [p for p in self._pending if not skipped]
            gaps = [self._gap(p, float(times[skipped]), self.total) for p in held]
            self._pending.clear()
        for fault in faults:
            i, cause = fault.before_record, Cause(fault.cause)
            if not i and cause is Cause.LOST_FRAMES and _count_lost(gaps, fault.lost_records):
                continue
            if i >= n:
                self._last_t = float(times[-1])
                self._begin(cause, fault.detail, float(times[-1]), lost=fault.lost_records)
            elif i > skipped or (i == skipped and not skipped):
                before = float(times[i - 1]) if i else self._last_t
                start = min(self._since_s, float(times[i])) if before is None else before
                held_one = _Pending(cause, fault.detail, start, fault.lost_records)
                gaps.append(self._gap(held_one, float(times[i]), self.total + i - skipped))
        return gaps

    def _gap(self, pending: _Pending, t_end_s: float, before_record: int) -> Gap:
        self.gaps += 1
        many = f" ({pending.times} times)" if pending.times > 1 else ""
        start = min(pending.t_start_s, t_end_s)
        return Gap(
            device=self.device,
            t_start_s=max(start, 0.0) if t_end_s >= 0.0 else start,
            t_end_s=t_end_s,
            cause=pending.cause,
            detail=pending.detail + many,
            lost_records=pending.lost_records,
            before_record=before_record,
        )


def _count_lost(gaps: list[Gap], lost_records: int) -> bool:
    """What went missing while a link was lost belongs to that gap, and is not one more."""
    for i, gap in enumerate(gaps):
        if gap.cause is Cause.LINK_LOST:
            gaps[i] = replace(gap, lost_records=gap.lost_records + lost_records)
            return True
    return False


def _cut(blocks: list[Block], skipped: int) -> tuple[list[Block], list[Block]]:
    """Split blocks after the first ``skipped`` records."""
    before: list[Block] = []
    after: list[Block] = []
    for block in blocks:
        n = len(block.records)
        k = min(skipped, n)
        skipped -= k
        if k:
            before.append(block.part(0, k))
        if k < n:
            after.append(block if k == 0 else block.part(k, n))
    return before, after


def _flagged(blocks: list[Block], missing: set[int]) -> list[Block]:
    """Blocks cut at the records that something is missing before, and flagged there."""
    flagged: list[Block] = []
    first = 0
    for block in blocks:
        n = len(block.records)
        cuts = sorted({0, n, *(i - first for i in missing if first <= i < first + n)})
        for start, stop in pairwise(cuts):
            part = block if (start, stop) == (0, n) else block.part(start, stop)
            gap = first + start in missing
            flagged.append(replace(part, gap_before=gap) if gap else part)
        first += n
    return flagged
