"""Overviews at the seal: each channel in even bins of run time, at widths fourfold apart."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from recorder.run.values.overview import FACTOR, LEAST_BINS, BinSums, base_width, coarser
from recorder.run_file.hdf5.create import describe_dataset
from recorder.run_file.hdf5.layout import part

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
    from recorder.run.parts.progress import Progress
    from recorder.run_file.hdf5.store import Store

__all__ = ["MadeOverview", "made_overviews", "overview_path", "write_overviews"]

CHUNK: Final = 500_000
"""Samples binned at once: bounds the memory, whatever the length of the run."""
STORED_ROWS: Final = 4096
"""Most bins in a chunk of the file."""


class MadeOverview(NamedTuple):
    """One level of the overview of one channel."""

    channel: ChannelHeader
    level: int
    rows: NDArray[np.void]
    """(n,) of ``overview_dtype``."""
    t0_s: float
    width_s: float


def write_overviews(store: Store, header: RunHeader, progress: Progress) -> None:
    """Store the overviews of all channels; one without a sample has none."""
    for made in made_overviews(store, header, progress):
        stored = store.put_rows(
            overview_path(made.channel, made.level), made.rows, min(len(made.rows), STORED_ROWS)
        )
        describe_dataset(
            stored,
            part("overview/CHANNEL/level_K"),
            quantity=f"overview of {made.channel.name}",
            units=made.channel.true_unit,
        )
        stored.set_attributes({"t0_s": made.t0_s, "width_s": made.width_s})


def overview_path(channel: ChannelHeader, level: int) -> str:
    """Where a level of a channel's overview stands."""
    return f"overview/{channel.name}/level_{level}"


def made_overviews(
    store: Store, header: RunHeader, progress: Progress
) -> Iterator[MadeOverview]:
    """The overviews of all channels from their values; nothing is written."""
    channels = [(device, channel) for device in header.devices for channel in device.channels]
    for i, (device, channel) in enumerate(channels):
        progress(i / len(channels), f"overview of {channel.name}")
        yield from _overview(store, device, channel)


def _overview(
    store: Store, device: DeviceHeader, channel: ChannelHeader
) -> Iterator[MadeOverview]:
    path = f"devices/{device.name}"
    times, values, flags = (
        store.column(f"{path}/{name}")
        for name in ("time_s", channel.name, f"{channel.name}_flags")
    )
    n = times.n
    if n == 0:
        return
    first_s, last_s = float(times.read(0, 1)[0]), float(times.read(n - 1, n)[0])
    width_s, bins = base_width(first_s, last_s, n)
    sums = BinSums(first_s, width_s, bins)
    for start in range(0, n, CHUNK):
        stop = min(start + CHUNK, n)
        held = values.read(start, stop).astype(np.float64)
        sums.add(times.read(start, stop), held, flags.read(start, stop))
    rows = sums.rows(values.dtype)
    level = 0
    while True:
        yield MadeOverview(channel, level, rows, first_s, width_s)
        if len(rows) <= LEAST_BINS:
            break
        rows, width_s, level = coarser(rows), width_s * FACTOR, level + 1
