"""Measuring-wheel counter: 24-byte frames of counts, edges and a pulse per second.

All integers little-endian; ticks and count wrap at 2**32.

====== ===== ===========================================================================
offset bytes field
====== ===== ===========================================================================
0      1     sync ``D2``
1      1     sequence, +1 a frame
2      1     flags: bit 0 last movement forward; bit 1 illegal quadrature transition since
             the last frame; bit 2 a pulse-per-second input has ticked; other bits 0
3      1     number of pulse-per-second edges seen, wraps
4      4     count, up going forward, down going backward
8      4     device tick of the last counted edge
12     4     device tick when the frame was made
16     4     device tick of the last pulse-per-second edge (0 when bit 2 is clear)
20     2     ticks per second, in kHz
22     2     CRC-16/IBM-3740 over bytes 1 … 21
====== ===== ===========================================================================

Worked example, sequence 5, forward, pulse per second seen 3 times, count 1000, 1 MHz::

    d2 05 05 03 e8030000 d0471f00 e06e1f00 80841e00 e803 d49c

with its last edge at tick 2050000, made at tick 2060000, last second at tick 2000000.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from drivers.decoding.crc import CATALOGUE
from drivers.decoding.framing import BatchMaker, FrameDecoder
from drivers.decoding.unwrapping import (
    MASK_32,
    WRAP_32,
    hold_last,
    later,
    run_forward,
    run_signed,
    signed_step,
)
from drivers.interface.driver_interface import DriverDescription, FaultCause, Layout, Role
from drivers.interface.settings import WheelSettings, settings_from_options
from drivers.links.link_driver import LinkDriver
from drivers.links.transport import open_link

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from drivers.interface.driver_interface import DeviceDriver
    from drivers.links.transport import LinkOpener

__all__ = ["PPS_SEEN", "WheelDecoder", "WheelPulses"]

PPS_SEEN: Final = 4
"""Bit 2 of a record's flags: the input of a pulse per second has ticked."""
_CHECK: Final = CATALOGUE["CRC-16/IBM-3740"]

_FRAME: Final = np.dtype(
    [
        ("sync", "u1"),
        ("sequence", "u1"),
        ("flags", "u1"),
        ("pps_count", "u1"),
        ("count", "<u4"),
        ("edge", "<u4"),
        ("made", "<u4"),
        ("pps", "<u4"),
        ("tick_khz", "<u2"),
        ("crc", "<u2"),
    ]
)
_RECORD: Final = np.dtype(
    [
        ("tick", "<u8"),
        ("edge_tick", "<u8"),
        ("count", "<i8"),
        ("pps_tick", "<u8"),
        ("pps_count", "u1"),
        ("flags", "u1"),
        ("sequence", "u1"),
    ]
)
_FEWEST, _MOST = 64, 8192
"""Frames looked at together: more while all are good, few again after a bad one."""
_HOST_SLACK_S: Final = 1.0
"""How far the device's clock and ours may part between two frames: a process on a busy machine is
held up for some tenths of a second, and a counter that starts anew takes longer than that."""
_SEQUENCES: Final = 256


class WheelDecoder(FrameDecoder):
    """Frames to one record each; see the module's table for the fields."""

    SYNC = b"\xd2"

    def __init__(self, *, tick_hz: int = 1_000_000, max_pulse_hz: float = 200_000.0) -> None:
        super().__init__(Layout(dtype=_RECORD, tick_hz=float(tick_hz)))
        self._tick_khz = tick_hz // 1000
        self._counter = _Counter(tick_hz, max_pulse_hz)
        self._together = _FEWEST

    def _frame_bytes(self, buffer: bytes, at: int) -> int:  # noqa: ARG002 - all are alike
        return _FRAME.itemsize

    def _take_run(self, buffer: bytes, at: int, size: int, maker: BatchMaker) -> int:
        number = min((len(buffer) - at) // size, self._together)
        rows = np.frombuffer(buffer, dtype=np.uint8, count=number * size, offset=at)
        rows = rows.reshape(number, size)
        frames: NDArray[np.void] = rows.view(_FRAME)[:, 0]
        good = (rows[:, 0] == self.SYNC[0]) & (_CHECK.of_rows(rows[:, 1:22]) == frames["crc"])
        # Frames that clash with the sheet end a run: each run is all well or all refused.
        fits = frames["tick_khz"] == self._tick_khz
        good &= fits == fits[0]
        run = number if good.all() else int(np.argmin(good))
        self._together = min(2 * self._together, _MOST) if run == number else _FEWEST
        if run:
            self._accept(frames[:run], maker, fits=bool(fits[0]))
        return run * size

    def _accept(self, frames: NDArray[np.void], maker: BatchMaker, *, fits: bool) -> None:
        trouble = self._settle(_FRAME.itemsize)
        if not fits:
            if trouble:
                cause, detail, dropped = trouble
                maker.fault(cause, detail, dropped=dropped)
            self.refusal = (
                f"frames say {int(frames['tick_khz'][0])} kHz, the car sheet"
                f" {self._tick_khz} kHz; set tick_hz to what the counter sends"
            )
            maker.fault(
                FaultCause.REFUSED, self.refusal, lost=len(frames), dropped=frames.nbytes
            )
            return
        self.refusal = ""
        self.good_frames += len(frames)
        maker.add(self._counter.records(frames, trouble, maker))


@dataclass(slots=True)
class _Last:
    """The record before, wide."""

    sequence: int
    tick: int
    count: int
    edge: int
    edge_wire: int
    pps: int
    pps_wire: int
    pps_count: int
    received_ns: int


@dataclass(frozen=True, slots=True)
class _Verdict:
    """Where one frame stands after the last."""

    tick: int
    count: int
    cause: FaultCause | None = None
    words: str = ""
    lost: int = 0

    @property
    def restarted(self) -> bool:
        return self.cause is not None and self.cause.restarts_count


class _Counter:
    """Widens ticks and counts, and distinguishes loss, wrap, long silence and restart."""

    def __init__(self, tick_hz: int, max_pulse_hz: float) -> None:
        self._tick_hz = tick_hz
        self._max_pulse_hz = max_pulse_hz
        self._last: _Last | None = None
        self._period = 0
        """Ticks between the last two frames that followed each other; 0 when not known."""

    def records(
        self,
        frames: NDArray[np.void],
        trouble: tuple[FaultCause, str, int] | None,
        maker: BatchMaker,
    ) -> NDArray[np.void]:
        """Give the records of good frames; report what is wrong between them."""
        records = np.empty(len(frames), dtype=_RECORD)
        for name in ("pps_count", "flags", "sequence"):
            records[name] = frames[name]
        starts = [0, *self._breaks(frames)]
        for start, stop in zip(starts, [*starts[1:], len(frames)], strict=True):
            verdict = self._judge(frames[start], maker.received_ns)
            _report(verdict, trouble if start == 0 else None, start, maker)
            self._fill(records[start:stop], frames[start:stop], verdict, maker.received_ns)
        return records

    def _breaks(self, frames: NDArray[np.void]) -> list[int]:
        """Rows that do not simply follow the one before: few, so judged one by one."""
        made, count, sequence = frames["made"], frames["count"], frames["sequence"]
        steps = made[1:] - made[:-1]
        pulses = np.abs((count[1:] - count[:-1]).view(np.int32).astype(np.int64))
        too_many = pulses > steps * (self._max_pulse_hz / self._tick_hz) + 2.0
        odd = (sequence[1:] - sequence[:-1] != 1) | (steps >= self._tick_hz) | too_many
        return (np.flatnonzero(odd) + 1).tolist()

    def _judge(self, frame: np.void, received_ns: int) -> _Verdict:
        wire, count = int(frame["made"]), int(frame["count"])
        last = self._last
        if last is None:
            # One turn up when an edge lies before the counter's last wrap, to stay above zero.
            early = max(int(frame["edge"]), int(frame["pps"])) > wire
            return _Verdict(wire + WRAP_32 * early, signed_step(0, count))
        elapsed_s = max(0.0, (received_ns - last.received_ns) / 1e9)
        lost = (int(frame["sequence"]) - last.sequence - 1) % _SEQUENCES
        ahead = (wire - last.tick) & MASK_32
        turns = max(0, round((elapsed_s * self._tick_hz - ahead) / WRAP_32))
        tick = last.tick + ahead + turns * WRAP_32
        count_wide = last.count + signed_step(last.count, count)
        if not self._time_agrees(ahead, (tick - last.tick) / self._tick_hz, elapsed_s, lost):
            return self._restart(last, wire, count, count_wide)
        return self._went_on(last, tick, count_wide, lost)

    def _time_agrees(self, ahead: int, device_s: float, elapsed_s: float, lost: int) -> bool:
        """Did the device clock simply run on?"""
        if abs(device_s - elapsed_s) <= _HOST_SLACK_S + 0.01 * elapsed_s:
            return True
        # The very next frame, one period on: it lay in a buffer while the reader was held up.
        if self._period and lost == 0 and 2 * abs(ahead - self._period) <= self._period:
            return True
        # A replay runs ahead of our clock; sequence and the usual period must then agree.
        if not self._period or elapsed_s > device_s or ahead > 16 * _SEQUENCES * self._period:
            return False
        frames = round(ahead / self._period)
        off = abs(ahead - frames * self._period)
        return (frames - lost - 1) % _SEQUENCES == 0 and 2 * off <= self._period

    def _restart(self, last: _Last, wire: int, count: int, count_wide: int) -> _Verdict:
        tick = later(last.tick, wire)
        words = f"device tick {last.tick & MASK_32} then {wire}"
        # From zero at power-up, no more pulses than the wheel can make in the ticks since.
        near_zero = (
            abs(signed_step(0, count)) <= self._max_pulse_hz * wire / self._tick_hz + 2.0
        )
        cause = FaultCause.COUNTER_RESTARTED if near_zero else FaultCause.DEVICE_RESTARTED
        return _Verdict(tick, count_wide, cause, f"{words}, count {last.count} then {count}")

    def _went_on(self, last: _Last, tick: int, count_wide: int, lost: int) -> _Verdict:
        device_s = (tick - last.tick) / self._tick_hz
        reach = self._max_pulse_hz * device_s + 2.0
        if abs(count_wide - last.count) > reach:
            words = f"count {last.count} then {count_wide & MASK_32} within {device_s:.3f} s"
            return _Verdict(tick, count_wide, FaultCause.COUNTER_RESTARTED, words)
        if self._period:
            # The sequence gives how many modulo 256; the time, how often it went round.
            about = (tick - last.tick) / self._period - 1 - lost
            lost += _SEQUENCES * max(0, round(about / _SEQUENCES))
        if not lost:
            return _Verdict(tick, count_wide)
        words = f"frames missing by sequence: {lost} ({device_s:.3f} s)"
        if reach >= WRAP_32 / 2:
            words += ", so long that the count may have gone round: distance uncertain"
        return _Verdict(tick, count_wide, FaultCause.LOST_FRAMES, words, lost)

    def _fill(
        self,
        records: NDArray[np.void],
        frames: NDArray[np.void],
        verdict: _Verdict,
        received_ns: int,
    ) -> None:
        """Fill one unbroken run and remember its last row."""
        ticks = run_forward(verdict.tick, frames["made"])
        records["tick"] = ticks
        records["count"] = run_signed(verdict.count, frames["count"])
        last = None if verdict.restarted else self._last
        changed = _changed(frames["edge"], None if last is None else last.edge_wire)
        changed |= _changed(frames["count"], None if last is None else last.count & MASK_32)
        records["edge_tick"] = hold_last(
            _before(ticks, frames["made"], frames["edge"]), changed, last.edge if last else 0
        )
        seen = (frames["flags"] & PPS_SEEN) != 0
        changed = _changed(frames["pps"], None if last is None else last.pps_wire)
        changed |= _changed(frames["pps_count"], None if last is None else last.pps_count)
        pps = _before(ticks, frames["made"], frames["pps"])
        held = hold_last(pps, changed, last.pps if last else 0)
        records["pps_tick"] = np.where(seen, held, np.uint64(0))
        if len(frames) > 1:
            self._period = int(ticks[-1] - ticks[-2])
        elif self._last is not None and not verdict.cause:
            self._period = int(ticks[0]) - self._last.tick
        self._remember(records[-1], frames[-1], int(held[-1]), received_ns)

    def _remember(self, record: np.void, frame: np.void, pps: int, received_ns: int) -> None:
        self._last = _Last(
            sequence=int(frame["sequence"]),
            tick=int(record["tick"]),
            count=int(record["count"]),
            edge=int(record["edge_tick"]),
            edge_wire=int(frame["edge"]),
            pps=pps,
            pps_wire=int(frame["pps"]),
            pps_count=int(frame["pps_count"]),
            received_ns=received_ns,
        )


def _before(
    ticks: NDArray[np.uint64], made: NDArray[np.uint32], edge: NDArray[np.uint32]
) -> NDArray[np.uint64]:
    """Wide tick of an edge, taken to lie less than one turn before its frame."""
    age = (made - edge).astype(np.uint64)
    # An edge from before tick zero cannot be; then it is left as it came.
    return np.where(age <= ticks, ticks - age, edge)


def _changed(values: NDArray[np.unsignedinteger], before: int | None) -> NDArray[np.bool_]:
    """Mark where a field differs from the row before."""
    changed = np.empty(values.size, dtype=np.bool_)
    changed[0] = before is None or int(values[0]) != before
    changed[1:] = values[1:] != values[:-1]
    return changed


def _report(
    verdict: _Verdict,
    trouble: tuple[FaultCause, str, int] | None,
    ahead: int,
    maker: BatchMaker,
) -> None:
    """One fault for one hole: bytes damaged and frames missing are the same event."""
    damage, damage_words, dropped = trouble or (None, "", 0)
    cause = verdict.cause if verdict.restarted or not damage else damage
    if cause is not None:
        detail = "; ".join(part for part in (damage_words, verdict.words) if part)
        maker.fault(cause, detail, ahead=ahead, lost=verdict.lost, dropped=dropped)


class WheelPulses(LinkDriver):
    """The measuring-wheel counter on a link."""

    description = DriverDescription(role=Role.WHEEL, usual_hz=100.0, host_clock=False)

    @classmethod
    def layout_for(cls, options: Mapping[str, object], *, device_id: str) -> Layout:
        """Shape of the records for these options, without a port."""
        settings = settings_from_options(WheelSettings, options, device_id)
        return Layout(dtype=_RECORD, tick_hz=float(settings.tick_hz))

    @classmethod
    def open(
        cls,
        *,
        device_id: str,
        port: str,
        options: Mapping[str, object],
        after: DeviceDriver | None = None,
        now_ns: Callable[[], int] = time.monotonic_ns,
        opener: LinkOpener = open_link,
    ) -> WheelPulses:
        """Open the port; see :func:`drivers.interface.registry.open_driver`."""
        settings = settings_from_options(WheelSettings, options, device_id)
        fresh = WheelDecoder(tick_hz=settings.tick_hz, max_pulse_hz=settings.max_pulse_hz)
        return cls.on_port(
            port, fresh, settings, device_id=device_id, after=after, now_ns=now_ns,
            opener=opener,
        )  # fmt: skip
