"""Times at the seal: ticks tied to run time again over the whole run, run time tied to UTC."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.run.parts.event import EventKind
from recorder.run.time.timeline import as_given, tie_ticks
from recorder.run.time.utc import fit_scale
from recorder.run.values.wheel_distance import PPS_PRESENT
from recorder.run_file.hdf5.create import describe_dataset, put_text
from recorder.run_file.hdf5.layout import part

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from recorder.run.parts.event import Event
    from recorder.run.parts.gap import Gap
    from recorder.run.parts.header import DeviceHeader, RunHeader
    from recorder.run.time.timeline import Timeline
    from recorder.run.time.utc import UtcScale, UtcSource
    from recorder.run_file.hdf5.store import Store

__all__ = [
    "as_they_stand",
    "duration_of",
    "final_times",
    "fit_utc_of",
    "refit_times",
    "tie_device",
    "tie_utc",
]

CHUNK: Final = 500_000
"""Records worked on at once: bounds the memory, whatever the length of the run."""


def as_they_stand(store: Store, device: DeviceHeader) -> Timeline:
    """The timeline of times that came with the records."""
    return as_given(store.column(f"devices/{device.name}/time_s").n)


def refit_times(
    store: Store, header: RunHeader, device: DeviceHeader, gaps: Sequence[Gap]
) -> Timeline:
    """Write the times of a device anew, with all its receipt times in hand."""
    line = tie_device(store, header, device, gaps)
    times = store.column(f"devices/{device.name}/time_s")
    for start, time_s in final_times(store, device, line):
        times.write(start, time_s)
    return line


def tie_device(
    store: Store, header: RunHeader, device: DeviceHeader, gaps: Sequence[Gap]
) -> Timeline:
    """Tie the ticks of a device to run time by its table of blocks; nothing is written."""
    names = ["first_record", "n", "received_s", "tick_last"]
    blocks = store.column(f"blocks/{device.name}").read_fields(names)
    return tie_ticks(device, header, blocks, gaps)


def final_times(
    store: Store,
    device: DeviceHeader,
    line: Timeline,
    recorded: Callable[[int, NDArray[np.uint64]], NDArray[np.float64]] | None = None,
) -> Iterator[tuple[int, NDArray[np.float64]]]:
    """(first record, (n,) run times, s) of a device chunk by chunk; nothing is written.

    ``recorded`` gives the times of the recording, by the first record and the ticks of a chunk,
    for stretches that keep them; by default those that are stored.
    """
    times, ticks = (
        store.column(f"devices/{device.name}/{name}") for name in ("time_s", "tick")
    )
    latest = -np.inf
    n = times.n
    for start in range(0, n, CHUNK):
        stop = min(start + CHUNK, n)
        held = ticks.read(start, stop)
        kept = times.read(start, stop) if recorded is None else recorded(start, held)
        time_s = line.times(start, held, kept)
        time_s[0] = max(time_s[0], latest)
        np.maximum.accumulate(time_s, out=time_s)
        latest = time_s[-1]
        yield start, time_s


def duration_of(store: Store, events: Sequence[Event]) -> float:
    """Run time of the end, s: last record, or the stop when it came later; where the recording
    was cut off, its last sign of life."""
    columns = [store.column(f"devices/{name}/time_s") for name in store.names("devices")]
    ends = [float(column.read(n - 1, n)[0]) for column in columns if (n := column.n)]
    stops = [event.t_s for event in events if event.kind == EventKind.STOP]
    ends += stops or [event.t_s for event in events if event.kind == EventKind.HEALTH]
    return max((end for end in ends if np.isfinite(end)), default=0.0)


def tie_utc(
    store: Store, header: RunHeader, lines: Mapping[str, Timeline], duration_s: float
) -> None:
    """Fit UTC to the clock fixes of the run and store its nodes."""
    scale, fitted = fit_utc_of(store, header, lines, duration_s)
    nodes = store.put_rows("clock/utc", scale.nodes, max(len(scale.nodes), 1))
    describe_dataset(nodes, part("clock/utc"))
    put_text(store, "clock/utc_source", fitted.to_json())


def fit_utc_of(
    store: Store, header: RunHeader, lines: Mapping[str, Timeline], duration_s: float
) -> tuple[UtcScale, UtcSource]:
    """Fit UTC to the clock fixes of the run; nothing is written."""
    return fit_scale(header, duration_s, *_gnss_fixes(store, header, lines))


def _gnss_fixes(
    store: Store, header: RunHeader, lines: Mapping[str, Timeline]
) -> tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64] | None]:
    """Receipt times and UTC of all clock sentences, and run times of the pulses per second."""
    t_run_s: list[NDArray[np.float64]] = []
    utc_ns: list[NDArray[np.int64]] = []
    for device in header.devices:
        names = device.record_dtype.names or ()
        if device.host_clock and "utc_ns" in names:
            t_run_s.append(store.column(f"devices/{device.name}/time_s").read())
            utc_ns.append(store.column(f"devices/{device.name}/raw_utc_ns").read())
    pulses = [_pulses(store, d, lines[d.name]) for d in header.devices]
    found = [p for p in pulses if p is not None and len(p)]
    if not t_run_s:
        return np.empty(0), np.empty(0, np.int64), None
    order = np.argsort(np.concatenate(t_run_s), kind="stable")
    return (
        np.concatenate(t_run_s)[order],
        np.concatenate(utc_ns)[order],
        np.sort(np.concatenate(found)) if found else None,
    )


def _pulses(store: Store, device: DeviceHeader, line: Timeline) -> NDArray[np.float64] | None:
    """Run times of the pulse-per-second edges a device saw, each once."""
    if "pps_tick" not in (device.record_dtype.names or ()):
        return None
    columns = store.columns(f"devices/{device.name}")
    present = (columns["raw_flags"].read() & PPS_PRESENT) != 0
    edges, ticks = columns["raw_pps_tick"].read(), columns["tick"].read()
    new = present & np.append(True, edges[1:] != edges[:-1])
    where = np.flatnonzero(new)
    if not len(where):
        return np.empty(0)
    # An edge before the first frame of a stretch belongs to no tie of that stretch.
    where = where[edges[where] <= ticks[where]]
    time_s = columns["time_s"].read()[where]
    return line.edge_times(where, edges[where], ticks[where], time_s, device.tick_hz)
