"""Calibrated values made again at the seal, with final times and all zeros, by chunks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.speed.speed import speed_from_pulses
from recorder.run.values.calibrate import Calibrator, is_wheel
from recorder.run_file.hdf5.devices import read_records

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from calibration.certificates.wheel import WheelCertificate
    from recorder.run.parts.event import Event
    from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
    from recorder.run.time.timeline import Timeline
    from recorder.run_file.hdf5.store import Column, Store

__all__ = ["revalue_device"]

CHUNK: Final = 500_000
"""Records worked on at once: bounds the memory, whatever the length of the run."""
SPEED_CHUNK: Final = 200_000
SPEED_OVERLAP: Final = 3_000
"""Records worked with on either side of a chunk: 30 s at 100 frames a second."""


def revalue_device(
    store: Store,
    header: RunHeader,
    device: DeviceHeader,
    line: Timeline,
    events: Sequence[Event],
) -> None:
    """Write every channel of a device anew from its records.

    Channels without a field hold values that came as they are, and are left alone.
    """
    columns = store.columns(f"devices/{device.name}")
    n = columns["time_s"].n
    calibrator = Calibrator(header)
    for event in events:
        calibrator.note(event)
    dtype = device.record_dtype
    for start in range(0, n, CHUNK):
        stop = min(start + CHUNK, n)
        records = read_records(columns, dtype, start, stop)
        time_s = columns["time_s"].read(start, stop)
        for name, (values, flags) in calibrator.calibrate(device.name, records, time_s).items():
            columns[name].write(start, values)
            columns[f"{name}_flags"].write(start, flags)
    for channel in device.channels:
        certificate = calibrator.certificates.get(channel.certificate)
        if channel.quantity == "speed" and is_wheel(certificate):
            _speeds(columns, device, channel, certificate, line)


def _speeds(
    columns: Mapping[str, Column],
    device: DeviceHeader,
    channel: ChannelHeader,
    certificate: WheelCertificate,
    line: Timeline,
) -> None:
    """Speed from pulse timing, over each stretch in which the device did not restart."""
    n = columns["time_s"].n
    stretches = [(s.first_record, min(s.stop_record, n)) for s in line.segments] or [(0, n)]
    for first, last in stretches:
        for start, stop, low, high in _chunks(first, last):
            records = read_records(columns, device.record_dtype, low, high)
            time_s = columns["time_s"].read(low, high)
            result = speed_from_pulses(records, time_s, certificate)
            inner = slice(start - low, stop - low)
            columns[channel.name].write(start, result.speed_m_s[inner])
            flags = columns[f"{channel.name}_flags"]
            flags.write(start, flags.read(start, stop) | result.flags[inner])


def _chunks(first: int, last: int) -> Iterator[tuple[int, int, int, int]]:
    for start in range(first, last, SPEED_CHUNK):
        stop = min(start + SPEED_CHUNK, last)
        yield start, stop, max(start - SPEED_OVERLAP, first), min(stop + SPEED_OVERLAP, last)
