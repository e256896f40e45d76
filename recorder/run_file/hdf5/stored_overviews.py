"""Overviews of an opened file: from the stored levels, or from the samples themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.run.parts.errors import UnreadableError
from recorder.run.values.overview import BinSums, Overview, overview_dtype, resample

if TYPE_CHECKING:
    from recorder.run_file.hdf5.devices import Channel
    from recorder.run_file.hdf5.store import Column, Store

__all__ = ["StoredLevel", "raw_overview", "stored_level"]

CHUNK: Final = 500_000
"""Samples binned at once: bounds the memory."""
LEAST_STORED_BINS: Final = 4
"""Stored bins in one wanted bin, at least: keeps what spills over its edges small."""


@dataclass(frozen=True, slots=True)
class StoredLevel:
    """One stored level of a channel's overview."""

    rows: Column
    """Of ``overview_dtype``."""
    t0_s: float
    width_s: float

    def overview(self, t0_s: float, t1_s: float, n: int) -> Overview:
        """n even bins from ``t0_s`` to ``t1_s``, of the stored bins whose middle lies in each."""
        last = self.rows.n
        low = min(max(int((t0_s - self.t0_s) / self.width_s) - 1, 0), last)
        high = max(min(int((t1_s - self.t0_s) / self.width_s) + 2, last), low)
        first_s = self.t0_s + low * self.width_s
        return resample(self.rows.read(low, high), first_s, self.width_s, t0_s, t1_s, n)


def stored_level(store: Store, channel: str, width_s: float) -> StoredLevel | None:
    """The coarsest stored level fine enough for bins of ``width_s``; None: use the samples."""
    group = f"overview/{channel}"
    if not store.has(group):
        return None
    best = None
    for k in range(len(store.names(group))):
        level = _level(store, f"{group}/level_{k}")
        if level.width_s * LEAST_STORED_BINS > width_s:
            break
        best = level
    return best


def _level(store: Store, path: str) -> StoredLevel:
    rows = store.column(path)
    if "minimum" not in (rows.dtype.names or ()) or rows.dtype != overview_dtype(
        rows.dtype["minimum"]
    ):
        raise UnreadableError(store.path, f"{path} is not as it should be")
    level = StoredLevel(rows, rows.number("t0_s"), rows.number("width_s"))
    if level.width_s <= 0.0:
        raise UnreadableError(store.path, f"{path} has bins of {level.width_s} s")
    return level


def raw_overview(channel: Channel, t0_s: float, t1_s: float, n: int) -> Overview:
    """An overview straight from the samples, a chunk at a time."""
    sums = BinSums(t0_s, (t1_s - t0_s) / n, n)
    start, stop = channel.index_at(t0_s), channel.index_at(t1_s)
    for low in range(start, stop, CHUNK):
        high = min(low + CHUNK, stop)
        sums.add(channel.time_s(low, high), channel.values(low, high), channel.flags(low, high))
    rows = sums.rows(np.dtype("<f8"))
    return resample(rows, t0_s, sums.width_s, t0_s, t1_s, n)
