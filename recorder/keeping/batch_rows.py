"""The rows of the journal: blocks packed into one payload, and the check over every row.

A payload is ``<u4`` number of blocks b, b heads of ``HEAD_DTYPE``, then the records of all
blocks on end.
"""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from recorder.run.block import HEAD_DTYPE, heads_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from recorder.run.block import Block

__all__ = ["crc", "pack", "unpack"]

_COUNT: Final = struct.Struct("<I")


def crc(*columns: float | str | bytes) -> int:
    """CRC-32 over the columns of a row, order and bounds included."""
    check = 0
    for column in columns:
        data = column if isinstance(column, bytes) else str(column).encode("utf-8", "replace")
        check = zlib.crc32(data, zlib.crc32(b"\x1f", check))
    return check


def pack(blocks: Sequence[Block]) -> tuple[int, bytes]:
    """Number of records, and the payload, of blocks of one device."""
    parts: list[Any] = [_COUNT.pack(len(blocks)), heads_of(blocks).tobytes()]
    parts.extend(np.ascontiguousarray(block.records).view(np.uint8).data for block in blocks)
    return sum(len(block.records) for block in blocks), b"".join(parts)


def unpack(dtype: np.dtype[Any], payload: bytes) -> tuple[NDArray[np.void], NDArray[np.void]]:
    """Heads and records that :func:`pack` put together: views into the payload, read-only.

    Raises
    ------
    ValueError
        The payload is not what ``pack`` makes.
    """
    if len(payload) < _COUNT.size:
        msg = f"the payload is cut short: {len(payload)} bytes"
        raise ValueError(msg)
    (count,) = _COUNT.unpack_from(payload)
    offset = _COUNT.size + count * HEAD_DTYPE.itemsize
    if len(payload) < offset:
        msg = f"the payload is cut short: {len(payload)} bytes for {count} heads"
        raise ValueError(msg)
    heads = np.frombuffer(payload, HEAD_DTYPE, count=count, offset=_COUNT.size)
    n = int(heads["n"].sum(dtype=np.int64))
    if len(payload) != offset + n * dtype.itemsize:
        msg = f"the payload has {len(payload)} bytes, its heads promise {n} records"
        raise ValueError(msg)
    return heads, np.frombuffer(payload, dtype, count=n, offset=offset)
