"""Times at the seal: ticks tied to run time again over the whole run, run time tied to UTC."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.run.parts.event import EventKind
from recorder.run.time.new_pulses import NewPulses
from recorder.run.time.timeline import UNSTATED, as_given, tie_ticks
from recorder.run.time.utc import scale_of
from recorder.run.time.utc_evidence import (
    ClockSentences,
    evidence_of,
    resolution_of,
    timings_of,
)
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
    store: Store,
    header: RunHeader,
    device: DeviceHeader,
    gaps: Sequence[Gap],
    events: Sequence[Event],
) -> Timeline:
    """Write the times of a device anew, with all its receipt times in hand."""
    line = tie_device(store, header, device, gaps, events)
    times = store.column(f"devices/{device.name}/time_s")
    for start, time_s in final_times(store, device, line):
        times.write(start, time_s)
    return line


def tie_device(
    store: Store,
    header: RunHeader,
    device: DeviceHeader,
    gaps: Sequence[Gap],
    events: Sequence[Event],
) -> Timeline:
    """Tie the ticks of a device to run time by its table of blocks; nothing is written."""
    names = ["first_record", "n", "received_s", "tick_last"]
    blocks = store.column(f"blocks/{device.name}").read_fields(names)
    return tie_ticks(
        device,
        header,
        blocks,
        gaps,
        timing=timings_of(header).get(device.name, UNSTATED),
        resolution_s=resolution_of(events),
    )


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
    store: Store,
    header: RunHeader,
    lines: Mapping[str, Timeline],
    duration_s: float,
    events: Sequence[Event],
) -> None:
    """Judge the UTC of the run by its witnesses and store its nodes."""
    scale, fitted = fit_utc_of(store, header, lines, duration_s, events)
    nodes = store.put_rows("clock/utc", scale.nodes, max(len(scale.nodes), 1))
    describe_dataset(nodes, part("clock/utc"))
    put_text(store, "clock/utc_source", fitted.to_json())


def fit_utc_of(
    store: Store,
    header: RunHeader,
    lines: Mapping[str, Timeline],
    duration_s: float,
    events: Sequence[Event],
) -> tuple[UtcScale, UtcSource]:
    """UTC of the run by its witnesses; nothing is written."""
    sent = _clock_sentences(store, header, lines)
    return scale_of(header, duration_s, evidence_of(header, events, sent))


def _clock_sentences(
    store: Store, header: RunHeader, lines: Mapping[str, Timeline]
) -> ClockSentences:
    """All clock sentences in order of receipt, and the pulses of the device that counted most."""
    receivers = [
        d for d in header.devices if d.host_clock and "utc_ns" in (d.record_dtype.names or ())
    ]
    t_s, utc_ns, kinds = [np.empty(0)], [np.empty(0, np.int64)], [np.empty(0, "S3")]
    for device in receivers:
        path = f"devices/{device.name}"
        t_s.append(store.column(f"{path}/time_s").read())
        utc_ns.append(store.column(f"{path}/raw_utc_ns").read())
        kind = store.column(f"{path}/raw_kind").read()
        # Kinds of a second receiver are another's words.
        label = f"{device.name} ".encode() if device is not receivers[0] else b""
        kinds.append(np.char.add(label, kind))
    order = np.argsort(np.concatenate(t_s), kind="stable")
    pulses = {d.name: _pulses(store, d, lines[d.name]) for d in header.devices}
    counter = max(pulses, key=lambda name: len(pulses[name]), default="")
    ties = [s.u_s for s in lines[counter].segments if np.isfinite(s.u_s)] if counter else []
    return ClockSentences(
        t_s=np.concatenate(t_s)[order],
        utc_ns=np.concatenate(utc_ns)[order],
        kind=np.concatenate(kinds)[order],
        receiver=receivers[0].name if receivers else "",
        pulse_t_s=pulses[counter] if counter else np.empty(0),
        pulse_u_s=max(ties, default=0.0),
        counter=counter,
    )


def _pulses(store: Store, device: DeviceHeader, line: Timeline) -> NDArray[np.float64]:
    """Run times of the pulse-per-second edges a device saw, each once."""
    if "pps_tick" not in (device.record_dtype.names or ()):
        return np.empty(0)
    columns = store.columns(f"devices/{device.name}")
    names = ("raw_pps_tick", "raw_flags", "tick", "time_s")
    pulses, found = NewPulses(), [np.empty(0)]
    n = columns["tick"].n
    for start in range(0, n, CHUNK):
        stop = min(start + CHUNK, n)
        edges, flags, ticks, time_s = (columns[name].read(start, stop) for name in names)
        new = pulses.among(edges, flags, ticks)
        found.append(
            line.edge_times(start + new, edges[new], ticks[new], time_s[new], device.tick_hz)
        )
    return np.concatenate(found)
