"""Records put together again from the columns they are stored in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from recorder.run_file.hdf5.naming import raw_name

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from recorder.run_file.hdf5.store import Column

__all__ = ["read_records"]


def read_records(
    columns: Mapping[str, Column], dtype: np.dtype[Any], start: int, stop: int
) -> NDArray[np.void]:
    """(stop − start,) records put together from the columns of their device."""
    records = np.zeros(stop - start, dtype)
    for field in dtype.names or ():
        records[field] = columns[raw_name(field)].read(start, stop)
    return records
