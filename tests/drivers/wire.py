"""Frames built from the protocol tables alone, for the tests of the drivers that read them.

The checksums are made bit by bit from the catalogue's parameters, never by the drivers' code.
"""

from __future__ import annotations

import struct
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from drivers.decoding.framing import RecordDecoder
    from drivers.interface.driver_interface import Batch, Fault

MASK = 0xFFFFFFFF


def mirror(value: int, width: int) -> int:
    """Bits the other way round."""
    return int(f"{value:0{width}b}"[::-1], 2)


def crc_bit_by_bit(
    data: bytes, width: int, poly: int, init: int, *, reflected: bool, xorout: int
) -> int:
    """The catalogue's model, one bit at a time."""
    top, mask = 1 << (width - 1), (1 << width) - 1
    state = init
    for byte in data:
        state ^= (mirror(byte, 8) if reflected else byte) << (width - 8)
        for _ in range(8):
            state = ((state << 1) ^ poly if state & top else state << 1) & mask
    return (mirror(state, width) if reflected else state) ^ xorout


def load_cell_frame(
    samples: Sequence[Sequence[int]],
    *,
    sequence: int = 0,
    tick: int = 0,
    step: int = 500,
    tick_hz: int = 1_000_000,
    version: int = 1,
) -> bytes:
    """One frame; ``samples[k][ch]`` are signed counts."""
    channels = len(samples[0])
    body = struct.pack(
        "<BBHIIII",
        version,
        channels,
        len(samples),
        sequence & MASK,
        tick & MASK,
        step,
        tick_hz,
    )
    body += b"".join(
        (value & 0xFFFFFF).to_bytes(3, "little") for row in samples for value in row
    )
    crc = crc_bit_by_bit(body, 32, 0x04C11DB7, MASK, reflected=True, xorout=MASK)
    return b"\xa7\x5c" + body + struct.pack("<I", crc)


def wheel_frame(
    *,
    sequence: int = 0,
    flags: int = 1,
    pps_count: int = 0,
    count: int = 0,
    edge: int = 0,
    made: int = 0,
    pps: int = 0,
    tick_khz: int = 1000,
) -> bytes:
    """One frame; wide values are cut to what the wire carries."""
    body = struct.pack(
        "<BBBIIIIH",
        sequence & 0xFF,
        flags,
        pps_count & 0xFF,
        count & MASK,
        edge & MASK,
        made & MASK,
        pps & MASK,
        tick_khz,
    )
    crc = crc_bit_by_bit(body, 16, 0x1021, 0xFFFF, reflected=False, xorout=0)
    return b"\xd2" + body + struct.pack("<H", crc)


def sentence(body: str, *, lower: bool = False) -> bytes:
    """``$body*hh`` with line end."""
    check = 0
    for char in body.encode("ascii"):
        check ^= char
    digits = f"{check:02x}" if lower else f"{check:02X}"
    return f"${body}*{digits}\r\n".encode("ascii")


def feed_all(
    decoder: RecordDecoder, chunks: Iterable[bytes], received_ns: int = 0
) -> tuple[NDArray[np.void], list[Fault]]:
    """Feed chunks; give all records, and all faults with their index in all records."""
    parts: list[NDArray[np.void]] = [np.empty(0, dtype=decoder.layout.dtype)]
    faults: list[Fault] = []
    done = 0
    for chunk in chunks:
        batch: Batch = decoder.feed(chunk, received_ns)
        faults += [moved(fault, done) for fault in batch.faults]
        parts.append(batch.records)
        done += len(batch.records)
    return np.concatenate(parts), faults


def moved(fault: Fault, by: int) -> Fault:
    """The same fault, counted from another record."""
    return replace(fault, before_record=fault.before_record + by)


def cut(data: bytes, places: Iterable[int]) -> list[bytes]:
    """Cut a stream at some places, in any order and with repeats."""
    edges = sorted({0, len(data), *(place % (len(data) + 1) for place in places)})
    return [data[start:stop] for start, stop in pairwise(edges)]
