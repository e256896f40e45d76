"""Records put together again from the columns they are stored in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from recorder.run_file.hdf5.layout import raw_name

if TYPE_CHECKING:
    import h5py
    from numpy.typing import NDArray

__all__ = ["read_records"]


def read_records(
    group: h5py.Group, dtype: np.dtype[Any], start: int, stop: int
) -> NDArray[np.void]:
    """(stop − start,) records put together from their columns."""
    records = np.zeros(stop - start, dtype)
    for field in dtype.names or ():
        records[field] = group[raw_name(field)][start:stop]
    return records
