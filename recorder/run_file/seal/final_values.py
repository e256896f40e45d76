"""Calibrated values made again at the seal, with final times and all zeros, by chunks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from calibration.speed.speed import speed_from_pulses
from recorder.run.values.calibrate import Calibrator, is_wheel
from recorder.run_file.hdf5.devices import read_records

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from calibration.certificates.wheel import WheelCertificate
    from recorder.run.parts.event import Event
    from recorder.run.parts.header import DeviceHeader, RunHeader
    from recorder.run.time.timeline import Segment, Timeline
    from recorder.run_file.hdf5.store import Column, Store

__all__ = ["MadeValues", "made_values", "revalue_device"]

CHUNK: Final = 500_000
"""Records worked on at once: bounds the memory, whatever the length of the run."""
SPEED_CHUNK: Final = 200_000
SPEED_OVERLAP: Final = 3_000
"""Records worked with on either side of a chunk: 30 s at 100 frames a second."""


class MadeValues(NamedTuple):
    """Values of one channel made from the records of one chunk, (n,) each."""

    channel: str
    start: int
    """Record of the first."""
    values: NDArray[np.float64]
    flags: NDArray[np.uint8]


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
    for made in made_values(columns, header, device, line.segments, events):
        columns[made.channel].write(made.start, made.values)
        columns[f"{made.channel}_flags"].write(made.start, made.flags)


def made_values(
    columns: Mapping[str, Column],
    header: RunHeader,
    device: DeviceHeader,
    segments: Sequence[Segment],
    events: Sequence[Event],
) -> Iterator[MadeValues]:
    """Every channel of a device that has a field, from its records and the times they have.

    Nothing is written: the seal writes what comes, and whoever proves a run compares it with
    what is stored.

    Parameters
    ----------
    columns
        Of the device.
    segments
        Stretches of one tie of its ticks; speed is not worked out across two.
    events
        All of the run, for its zeros and restarts.
    """
    calibrator = Calibrator(header)
    for event in events:
        calibrator.note(event)
    wheels = {
        channel.name: certificate
        for channel in device.channels
        if channel.quantity == "speed"
        and is_wheel(certificate := calibrator.certificates.get(channel.certificate))
    }
    n = columns["time_s"].n
    # One byte a record, of the slow devices that wheels are.
    wheel_flags = {name: np.zeros(n, np.uint8) for name in wheels}
    for start in range(0, n, CHUNK):
        stop = min(start + CHUNK, n)
        records = read_records(columns, device.record_dtype, start, stop)
        time_s = columns["time_s"].read(start, stop)
        for name, (values, flags) in calibrator.calibrate(device.name, records, time_s).items():
            if name in wheels:
                wheel_flags[name][start:stop] = flags
            else:
                yield MadeValues(name, start, values, flags)
    for name, certificate in wheels.items():
        yield from _speeds(columns, device, segments, certificate, name, wheel_flags[name])


def _speeds(
    columns: Mapping[str, Column],
    device: DeviceHeader,
    segments: Sequence[Segment],
    certificate: WheelCertificate,
    name: str,
    flags: NDArray[np.uint8],
) -> Iterator[MadeValues]:
    """Speed from pulse timing, over each stretch in which the device did not restart."""
    n = len(flags)
    stretches = [(s.first_record, min(s.stop_record, n)) for s in segments] or [(0, n)]
    for first, last in stretches:
        for start, stop, low, high in _chunks(first, last):
            records = read_records(columns, device.record_dtype, low, high)
            time_s = columns["time_s"].read(low, high)
            result = speed_from_pulses(records, time_s, certificate)
            inner = slice(start - low, stop - low)
            held = flags[start:stop] | result.flags[inner]
            yield MadeValues(name, start, result.speed_m_s[inner], held)


def _chunks(first: int, last: int) -> Iterator[tuple[int, int, int, int]]:
    for start in range(first, last, SPEED_CHUNK):
        stop = min(start + SPEED_CHUNK, last)
        yield start, stop, max(start - SPEED_OVERLAP, first), min(stop + SPEED_OVERLAP, last)
