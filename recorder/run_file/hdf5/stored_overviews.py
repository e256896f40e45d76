"""Overviews of an opened file: from the stored levels, or from the samples themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.run.overview import BinSums, Overview, overview_dtype, resample

if TYPE_CHECKING:
    import h5py

    from recorder.run_file.hdf5.columns import Channel

__all__ = ["raw_overview", "stored_level"]

CHUNK: Final = 500_000
"""Samples in memory at once: some 10 MB."""
LEAST_STORED_BINS: Final = 4
"""Stored bins in one wanted bin, at least: keeps what spills over its edges small."""


def stored_level(file: h5py.File, channel: str, width_s: float) -> h5py.Dataset | None:
    """The coarsest stored level fine enough for bins of ``width_s``; None: use the samples."""
    group = file.get(f"overview/{channel}")
    if group is None:
        return None
    best = None
    for k in range(len(group)):
        level = group[f"level_{k}"]
        if level.dtype != overview_dtype(level.dtype["minimum"]):
            msg = f"overview/{channel}/level_{k} is not as it should be"
            raise ValueError(msg)
        if float(level.attrs["width_s"]) * LEAST_STORED_BINS > width_s:
            break
        best = level
    return best


def raw_overview(channel: Channel, t0_s: float, t1_s: float, n: int) -> Overview:
    """An overview straight from the samples, chunk by chunk."""
    sums = BinSums(t0_s, (t1_s - t0_s) / n, n)
    start, stop = channel.index_at(t0_s), channel.index_at(t1_s)
    for low in range(start, stop, CHUNK):
        high = min(low + CHUNK, stop)
        sums.add(channel.time_s(low, high), channel.values(low, high), channel.flags(low, high))
    rows = sums.rows(np.dtype("<f8"))
    return resample(rows, t0_s, sums.width_s, t0_s, t1_s, n)
