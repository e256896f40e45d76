"""Records of a run file back into the bytes they came from.

Each device's records are read stretch by stretch and encoded anew from the protocol. Low bits
of ticks and counts are the bits that came, so the next recording widens them to the same
numbers. Where the run has a gap the sequence jumps as it did, so the gap is seen again.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from simulated_feeds.devices.emission import Emission
from simulated_feeds.devices.wire import load_cell_frames, wheel_frames
from simulated_feeds.settings.errors import FeedError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.run.parts.gap import Gap
    from recorder.run_file.hdf5.devices import Device
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["ReplayDevice", "replay_device"]

_MOST_SAMPLES: Final = 512
_FEW_SAMPLES: Final = 4
_USUAL_SAMPLES: Final = 20


class ReplayDevice(Protocol):
    """One device of a run, encoded stretch by stretch."""

    name: str

    def take(self, until_s: float) -> list[Emission]:
        """What it sent up to a run time; each stretch once, in order."""
        ...

    @property
    def done(self) -> bool:
        """Everything has been taken."""
        ...


def replay_device(run: RunFile, name: str) -> ReplayDevice:
    """The replay of one device.

    Raises
    ------
    FeedError
        Its records are of no wire protocol.
    """
    device = run.devices[name]
    match device.header.driver:
        case "load-cell-frames":
            return _LoadCell(run, device)
        case "wheel-pulses":
            return _Wheel(run, device)
        case "nmea-0183":
            return _Gnss(device)
        case driver:
            msg = f"{run.path}: {name} was recorded by {driver!r}, which has no wire protocol"
            raise FeedError(msg)


class _RecordCursor:
    """Reads on through a device's records."""

    def __init__(self, device: Device) -> None:
        self.device = device
        self.at = 0

    @property
    def done(self) -> bool:
        return self.at >= self.device.n

    def stop_at(self, until_s: float) -> int:
        if not math.isfinite(until_s):
            return self.device.n
        return max(self.at, self.device.index_at(until_s))


class _LoadCell:
    def __init__(self, run: RunFile, device: Device) -> None:
        self.name = device.name
        self._reader = _RecordCursor(device)
        self._fields = [f for f in device.header.record_dtype.names or () if f != "tick"]
        self._channels = _channel_count(self._fields, run, self.name)
        self._tick_hz = round(device.header.tick_hz)
        gaps = run.gaps(device.name)
        self._step, self._samples, self._lead = _frame_shape(device, gaps)
        self._sequence = 0
        self._next_tick: int | None = None
        self._restarts = {g.before_record for g in gaps if g.cause.restarts_count}

    @property
    def done(self) -> bool:
        return self._reader.done

    def take(self, until_s: float) -> list[Emission]:
        reader, n = self._reader, self._samples
        start, stop = reader.at, reader.stop_at(until_s)
        last = stop >= reader.device.n
        if not last:
            stop += n  # so that a frame which straddles the end is seen whole
        records = reader.device.records(start, stop)
        times = reader.device.time_s(start, stop)
        if records.size == 0:
            reader.at = stop
            return []
        ticks = records["tick"].astype(np.int64)
        cuts = np.flatnonzero(np.diff(ticks) != self._step) + 1
        named = [r - start for r in self._restarts if start < r < start + records.size]
        lead = [self._lead] if start == 0 and self._lead < records.size else []
        bounds = sorted({0, *cuts.tolist(), *named, *lead, records.size})
        out: list[Emission] = []
        used = 0
        for a, b in pairwise(bounds):
            whole = b - a if b < records.size or last else (b - a) // n * n
            if whole:
                out += self._run(
                    records[a : a + whole], ticks[a], times[a : a + whole], start + a
                )
            used = a + whole
        reader.at = start + used
        return out

    def _run(
        self, records: NDArray[np.void], first: int, times: NDArray[np.float64], index: int
    ) -> list[Emission]:
        """Frames of records at even steps."""
        self._note_jump(int(first), index)
        n, c = self._samples, self._channels
        counts = np.zeros((records.size, c), np.int32)
        for field in self._fields:
            counts[:, int(field[2:])] = records[field]
        out: list[Emission] = []
        full = records.size // n
        shapes = [(0, full, n)] if full else []
        if records.size % n:
            shapes.append((full * n, 1, records.size % n))
        for begin, frames, samples in shapes:
            part = counts[begin : begin + frames * samples].reshape(frames, samples, c)
            firsts = first + self._step * (begin + samples * np.arange(frames))
            data = load_cell_frames(
                part, first_sequence=self._sequence, first_ticks=firsts,
                step_ticks=self._step, tick_hz=self._tick_hz,
            )  # fmt: skip
            due = times[begin + samples - 1 : begin + frames * samples : samples]
            self._sequence += frames
            out += [Emission(t, d) for t, d in zip(due.tolist(), data, strict=True)]
        self._next_tick = int(first) + self._step * records.size
        return out

    def _note_jump(self, first: int, index: int) -> None:
        if index in self._restarts:
            self._sequence = 0
        elif self._next_tick is not None and first > self._next_tick:
            lost = round((first - self._next_tick) / (self._step * self._samples))
            self._sequence += max(1, lost)


def _channel_count(fields: list[str], run: RunFile, name: str) -> int:
    try:
        numbers = [int(f.removeprefix("ch")) for f in fields]
    except ValueError:
        numbers = []
    if not numbers or min(numbers) < 0 or max(numbers) > 15:
        msg = f"{run.path}: records of {name} are not a load cell's: {', '.join(fields)}"
        raise FeedError(msg)
    return max(numbers) + 1


def _frame_shape(device: Device, gaps: list[Gap]) -> tuple[int, int, int]:
    """(ticks a sample, samples a frame, samples before the first whole frame).

    Blocks hold whole frames, and whole frames lie between gaps and in them, so the greatest
    number that divides them all is a frame; only the first may be cut, where the run began.
    """
    head = device.records(0, 200_000)["tick"].astype(np.int64)
    steps = np.diff(head)
    steps = steps[steps > 0]
    step = int(np.median(steps)) if steps.size else 1
    sizes = device.blocks()["n"].astype(np.int64)
    places = np.unique([g.before_record for g in gaps if 0 < g.before_record < device.n])
    lost = [g.lost_records for g in gaps if g.lost_records > 0]
    blocks = sizes[1:] if len(sizes) > 1 else sizes
    known = np.concatenate((blocks, np.diff(places), lost)).astype(np.int64)
    whole = int(np.gcd.reduce(known)) if known.size else _USUAL_SAMPLES
    if (
        whole < _FEW_SAMPLES
    ):  # a gap that is not whole frames: the records come again all the same
        whole = int(np.gcd.reduce(blocks)) if blocks.size else _USUAL_SAMPLES
    if whole < _FEW_SAMPLES:
        whole = _USUAL_SAMPLES
    samples = max(1, whole)
    while samples > _MOST_SAMPLES:
        samples = next((samples // d for d in range(2, 512) if samples % d == 0), 1)
    lead = int(sizes[0]) % samples if len(sizes) else 0
    return max(1, step), samples, lead


class _Wheel:
    def __init__(self, run: RunFile, device: Device) -> None:
        self.name = device.name
        self._reader = _RecordCursor(device)
        self._tick_hz = round(device.header.tick_hz)
        wanted = {"tick", "edge_tick", "count", "pps_tick", "pps_count", "flags", "sequence"}
        missing = wanted - set(device.header.record_dtype.names or ())
        if missing:
            msg = f"{run.path}: records of {device.name} lack {', '.join(sorted(missing))}"
            raise FeedError(msg)

    @property
    def done(self) -> bool:
        return self._reader.done

    def take(self, until_s: float) -> list[Emission]:
        reader = self._reader
        start, stop = reader.at, reader.stop_at(until_s)
        reader.at = stop
        records = reader.device.records(start, stop)
        if records.size == 0:
            return []
        times = reader.device.time_s(start, stop)
        data = wheel_frames(
            sequence=records["sequence"], flags=records["flags"],
            pps_count=records["pps_count"], count=records["count"],
            edge_tick=records["edge_tick"].view(np.int64), tick=records["tick"].view(np.int64),
            pps_tick=records["pps_tick"].view(np.int64), tick_hz=self._tick_hz,
        )  # fmt: skip
        return [Emission(t, d) for t, d in zip(times.tolist(), data, strict=True)]


class _Gnss:
    def __init__(self, device: Device) -> None:
        self.name = device.name
        self._reader = _RecordCursor(device)

    @property
    def done(self) -> bool:
        return self._reader.done

    def take(self, until_s: float) -> list[Emission]:
        reader = self._reader
        start, stop = reader.at, reader.stop_at(until_s)
        reader.at = stop
        sentences = reader.device.records(start, stop)["sentence"].tolist()
        times = reader.device.time_s(start, stop).tolist()
        return [
            Emission(t, line + b"\r\n")
            for t, line in zip(times, sentences, strict=True)
            if line
        ]
