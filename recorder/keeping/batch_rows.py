"""The rows of the journal: blocks packed into one payload, and the check over every row.

A payload is ``<u4`` number of blocks b, b heads, then the records of all blocks on end. A head
is ``<QIdQdd``: sequence, records in the block, received_s, tick0, t0_s, s_per_tick.
"""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from recorder.run_file.blocks import KeptBlock

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["crc", "pack", "unpack"]

_COUNT: Final = struct.Struct("<I")
_HEAD: Final = struct.Struct("<QIdQdd")


def crc(*columns: float | str | bytes) -> int:
    """CRC-32 over the columns of a row, order and bounds included."""
    check = 0
    for column in columns:
        data = column if isinstance(column, bytes) else str(column).encode("utf-8", "replace")
        check = zlib.crc32(data, zlib.crc32(b"\x1f", check))
    return check


def pack(blocks: Sequence[KeptBlock]) -> tuple[int, bytes]:
    """Number of records, and the payload, of blocks of one device."""
    parts: list[Any] = [_COUNT.pack(len(blocks))]
    n = 0
    for block in blocks:
        parts.append(
            _HEAD.pack(
                block.sequence % 2**64,
                len(block.records),
                block.received_s,
                block.tick0 % 2**64,
                block.t0_s,
                block.s_per_tick,
            )
        )
        n += len(block.records)
    parts.extend(np.ascontiguousarray(block.records).view(np.uint8).data for block in blocks)
    return n, b"".join(parts)


def unpack(device: str, dtype: np.dtype[Any], payload: bytes) -> list[KeptBlock]:
    """Inverse of :func:`pack`; the records are views into the payload, read-only.

    Raises
    ------
    ValueError
        The payload is not what ``pack`` makes.
    """
    try:
        (count,) = _COUNT.unpack_from(payload)
        heads = [_HEAD.unpack_from(payload, 4 + i * _HEAD.size) for i in range(count)]
    except struct.error as error:
        msg = f"the payload is cut short ({error})"
        raise ValueError(msg) from error
    offset = 4 + count * _HEAD.size
    n = sum(head[1] for head in heads)
    if len(payload) != offset + n * dtype.itemsize:
        msg = f"the payload has {len(payload)} bytes, its heads tell of {n} records"
        raise ValueError(msg)
    records = np.frombuffer(payload, dtype, count=n, offset=offset)
    blocks = []
    first = 0
    for sequence, size, received_s, tick0, t0_s, s_per_tick in heads:
        blocks.append(
            KeptBlock(
                device=device,
                sequence=sequence,
                received_s=received_s,
                tick0=tick0,
                t0_s=t0_s,
                s_per_tick=s_per_tick,
                records=records[first : first + size],
            )
        )
        first += size
    return blocks
