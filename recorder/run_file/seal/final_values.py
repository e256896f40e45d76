"""Calibrated values made again at the seal, with final times and all zeros, piece by piece."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.speed.speed import speed_from_pulses
from recorder.run.calibrate import Calibrator, is_wheel
from recorder.run.wheel_distance import PPS_PRESENT
from recorder.run_file.hdf5.records import read_records

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import h5py
    from numpy.typing import NDArray

    from calibration.certificates.wheel import WheelCertificate
    from recorder.run.event import Event
    from recorder.run.header import ChannelHeader, DeviceHeader, RunHeader
    from recorder.run.timeline import Timeline

__all__ = ["gnss_fixes", "revalue_device"]

SPEED_PIECE: Final = 200_000
SPEED_OVERLAP: Final = 3_000
"""Records worked with on either side of a piece: 30 s at 100 frames a second."""


def revalue_device(
    file: h5py.File,
    header: RunHeader,
    device: DeviceHeader,
    line: Timeline,
    events: Sequence[Event],
    piece: int,
) -> None:
    """Write every channel of a device anew from its records.

    Channels without a field hold values that came as they are, and are left alone.
    """
    group = file[f"devices/{device.name}"]
    n = group["time_s"].shape[0]
    calibrator = Calibrator(header)
    for event in events:
        calibrator.note(event)
    dtype = device.record_dtype
    for start in range(0, n, piece):
        stop = min(start + piece, n)
        records = read_records(group, dtype, start, stop)
        time_s = group["time_s"][start:stop]
        for name, (values, flags) in calibrator.calibrate(device.name, records, time_s).items():
            group[name][start:stop] = values.astype(group[name].dtype, copy=False)
            group[f"{name}_flags"][start:stop] = flags
    for channel in device.channels:
        certificate = calibrator.certificates.get(channel.certificate)
        if channel.quantity == "speed" and is_wheel(certificate):
            _speeds(group, device, channel, certificate, line)


def _speeds(
    group: h5py.Group,
    device: DeviceHeader,
    channel: ChannelHeader,
    certificate: WheelCertificate,
    line: Timeline,
) -> None:
    """Speed from pulse timing, over each stretch in which the device did not restart."""
    n = group["time_s"].shape[0]
    stretches = [(s.first_record, min(s.stop_record, n)) for s in line.segments] or [(0, n)]
    for first, last in stretches:
        for start, stop, low, high in _pieces(first, last):
            records = read_records(group, device.record_dtype, low, high)
            result = speed_from_pulses(records, group["time_s"][low:high], certificate)
            inner = slice(start - low, stop - low)
            group[channel.name][start:stop] = result.speed_m_s[inner]
            group[f"{channel.name}_flags"][start:stop] |= result.flags[inner]


def _pieces(first: int, last: int) -> Iterator[tuple[int, int, int, int]]:
    for start in range(first, last, SPEED_PIECE):
        stop = min(start + SPEED_PIECE, last)
        yield start, stop, max(start - SPEED_OVERLAP, first), min(stop + SPEED_OVERLAP, last)


def gnss_fixes(
    file: h5py.File, header: RunHeader, lines: dict[str, Timeline]
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64] | None]:
    """Receipt times and UTC of all clock sentences, and run times of the pulses per second."""
    t_run_s: list[NDArray[np.float64]] = []
    utc_ns: list[NDArray[np.int64]] = []
    for device in header.devices:
        if device.host_clock and "utc_ns" in (device.record_dtype.names or ()):
            group = file[f"devices/{device.name}"]
            t_run_s.append(group["time_s"][:])
            utc_ns.append(group["raw_utc_ns"][:])
    pulses = [_pulses(file, d, lines[d.name]) for d in header.devices]
    found = [p for p in pulses if p is not None and len(p)]
    if not t_run_s:
        return np.empty(0), np.empty(0, np.int64), None
    order = np.argsort(np.concatenate(t_run_s), kind="stable")
    return (
        np.concatenate(t_run_s)[order],
        np.concatenate(utc_ns)[order],
        np.sort(np.concatenate(found)) if found else None,
    )


def _pulses(
    file: h5py.File, device: DeviceHeader, line: Timeline
) -> NDArray[np.float64] | None:
    """Run times of the pulse-per-second edges a device saw, each once."""
    if "pps_tick" not in (device.record_dtype.names or ()):
        return None
    group = file[f"devices/{device.name}"]
    present = (group["raw_flags"][:] & PPS_PRESENT) != 0
    edges, ticks = group["raw_pps_tick"][:], group["tick"][:]
    new = present & np.append(True, edges[1:] != edges[:-1])
    where = np.flatnonzero(new)
    if not len(where):
        return np.empty(0)
    # An edge before the first frame of a stretch belongs to no tie of that stretch.
    where = where[edges[where] <= ticks[where]]
    return line.edge_times(
        where, edges[where], ticks[where], group["time_s"][:][where], device.tick_hz
    )
