"""From a ring's blocks to chunks of trace: calibrated, on the run's time axis, with gaps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.certificates.wheel import WheelCertificate
from calibration.speed.live_speed import LiveSpeed
from recorder.run.values.calibrate import Calibrator
from recorder.track.placing.anchors import RECEIPT_DELAY_S, GnssFixes

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from recorder.run.checks.zero_line import Zero
    from recorder.run.parts.block import Block
    from recorder.run.parts.header import DeviceHeader, RunHeader

__all__ = ["ChunkMaker", "TraceChunk"]

_GAP_STEPS: Final = 2.5
"""A step of the device clock longer than so many usual steps has lost something."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceChunk:
    """What one look at a ring brought of one device. Arrays are never changed."""

    device: str
    received_s: float
    """Run time when the newest record was in hand."""
    time_s: NDArray[np.float64]
    """(n,) run time, rising."""
    values: Mapping[str, NDArray[np.float64]]
    """Channel → (n,)."""
    flags: Mapping[str, NDArray[np.uint8]]
    breaks: NDArray[np.intp]
    """Indices of records that something is missing before; 0 joins on to the last chunk."""
    fixes: GnssFixes | None = None
    """Valid positions among the records of a receiver; None without any."""
    lost_blocks: int = 0
    """Blocks this reader was too slow for: not drawn, but recorded all the same."""


class _DeviceState:
    def __init__(self, header: DeviceHeader) -> None:
        self.header = header
        self.last_tick: int | None = None
        self.last_s = -np.inf
        self.step_ticks = 0.0
        self.speed: Any = None


class ChunkMaker:
    """Calibrates blocks as they come. Used by one thread.

    Raises
    ------
    ValueError
        A certificate of the header does not read.
    """

    def __init__(self, header: RunHeader) -> None:
        self._calibrator = Calibrator(header)
        self._devices = {d.name: _DeviceState(d) for d in header.devices}
        for state in self._devices.values():
            state.speed = self._live_speed(state.header)

    def _live_speed(self, device: DeviceHeader) -> Any:  # noqa: ANN401 - LiveSpeed or None
        for channel in device.channels:
            certificate = self._calibrator.certificates.get(channel.certificate)
            if isinstance(certificate, WheelCertificate):
                return LiveSpeed(certificate)
        return None

    def hold_zeros(self, zeros: Iterable[Zero]) -> None:
        """These zeros and no others hold for what comes from now on."""
        self._calibrator.hold_zeros(zeros)

    def start_wheel(self, device: str, record: NDArray[np.void], t_s: float) -> None:
        """Begin distance at the run's first record (1,), when the ring no longer holds it."""
        self._calibrator.calibrate(device, record, np.array([t_s]))

    def make(self, device: str, blocks: Sequence[Block], *, lost: int = 0) -> TraceChunk | None:
        """The chunk of these blocks, oldest first; None when they hold no record."""
        full = [block for block in blocks if len(block.records)]
        if not full:
            return None
        state = self._devices[device]
        records = np.concatenate([block.records for block in full])
        time_s = np.concatenate([block.time_s() for block in full])
        # The line from ticks to time is refined as the run goes on; the paper never runs back.
        time_s = np.maximum(np.maximum.accumulate(time_s), state.last_s)
        calibrated = self._calibrator.calibrate(device, records, time_s)
        values = {name: pair[0] for name, pair in calibrated.items()}
        self._fill_speed(state, full, values)
        chunk = TraceChunk(
            device=device,
            received_s=full[-1].received_s,
            time_s=time_s,
            values=values,
            flags={name: pair[1] for name, pair in calibrated.items()},
            breaks=_breaks(state, full, records["tick"]),
            fixes=_fixes(state, records, time_s, values),
            lost_blocks=lost,
        )
        state.last_s = float(time_s[-1])
        return chunk

    def _fill_speed(
        self, state: _DeviceState, blocks: list[Block], values: dict[str, NDArray[Any]]
    ) -> None:
        channels = state.header.channels
        names = [c.name for c in channels if c.quantity == "speed" and c.measures]
        if state.speed is None or not names:
            return
        parts = []
        for block in blocks:
            speed = state.speed.update(block.records, block.line)
            parts.append(np.broadcast_to(np.asarray(speed, np.float64), len(block.records)))
        values.update(dict.fromkeys(names, np.concatenate(parts)))


def _fixes(
    state: _DeviceState,
    records: NDArray[np.void],
    time_s: NDArray[np.float64],
    values: Mapping[str, NDArray[np.float64]],
) -> GnssFixes | None:
    """Positions at the run times they were true at: as received, less the usual delay."""
    names = {c.quantity: c.name for c in state.header.channels if c.measures}
    if not {"latitude", "longitude"} <= names.keys():
        return None
    latitude, longitude = values[names["latitude"]], values[names["longitude"]]
    good = np.isfinite(latitude) & np.isfinite(longitude)
    if "valid" in (records.dtype.names or ()):
        good &= records["valid"] != 0
    if not good.any():
        return None
    return GnssFixes(
        t_s=time_s[good] - RECEIPT_DELAY_S,
        latitude_deg=latitude[good],
        longitude_deg=longitude[good],
    )


def _breaks(
    state: _DeviceState, blocks: Sequence[Block], ticks: NDArray[np.uint64]
) -> NDArray[np.intp]:
    """Indices of records that something is missing before."""
    if state.header.host_clock:
        # Such records come in bursts, whenever they are sent: only what is recorded is a gap.
        return _gaps(blocks)
    return np.union1d(_gaps(blocks), _late(state, ticks))


def _gaps(blocks: Sequence[Block]) -> NDArray[np.intp]:
    """Indices of the first records of blocks that something is missing before, as recorded."""
    first = np.cumsum([0, *(len(block.records) for block in blocks)])[:-1]
    return np.asarray(first[[block.gap_before for block in blocks]], np.intp)


def _late(state: _DeviceState, ticks: NDArray[np.uint64]) -> NDArray[np.intp]:
    """Indices of records long after the one before: a hole nobody told of, or blocks that this
    reader was too slow for. Nothing is drawn across either."""
    before = ticks[0] if state.last_tick is None else np.uint64(state.last_tick)
    steps = np.diff(ticks, prepend=before).view(np.int64)
    usual = steps[1:] if state.last_tick is None else steps
    if state.step_ticks == 0.0 and len(usual):
        state.step_ticks = float(np.median(usual))
    state.last_tick = int(ticks[-1])
    odd = (steps > _GAP_STEPS * state.step_ticks) | (steps < 0)
    return np.flatnonzero(odd) if state.step_ticks > 0 else np.empty(0, dtype=np.intp)
