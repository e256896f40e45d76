"""Cyclic redundancy checks by the parameters of a catalogue.

Parameters: G. Cook, Catalogue of parametrised CRC algorithms, by the model of R. N. Williams, A
Painless Guide to CRC Error Detection Algorithms, 1993 (width, polynomial, initial value,
reflected in and out, final exclusive-or). Every entry's check
value, the CRC of the ASCII text ``123456789``, is pinned in the tests.

Worked example: CRC-16/IBM-3740 of ``123456789`` is 0x29B1, CRC-32/ISO-HDLC is 0xCBF43926.
"""

from __future__ import annotations

import binascii
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

__all__ = ["CATALOGUE", "CrcModel"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CrcModel:
    """One algorithm of the catalogue, 8 to 64 bits wide."""

    name: str
    width: int
    poly: int
    init: int
    reflected: bool
    """Input and output alike; the catalogue's mixed forms are not used here."""
    xorout: int

    def __post_init__(self) -> None:
        limit = 1 << self.width
        fits = all(0 <= value < limit for value in (self.poly, self.init, self.xorout))
        if not 8 <= self.width <= 64 or not fits:
            msg = f"{self.name}: width must be 8 to 64 and every parameter fit in it"
            raise ValueError(msg)

    def of_rows(self, rows: NDArray[np.uint8]) -> NDArray[np.uint64]:
        """CRC of every row at once.

        Parameters
        ----------
        rows : (n, b) uint8
            n messages of b bytes.

        Returns
        -------
        (n,) uint64
        """
        if (whole := self._in_c()) is not None:
            packed, size = memoryview(rows.tobytes()), rows.shape[1]
            starts = range(0, rows.shape[0] * size, size) if size else [0] * rows.shape[0]
            made = [whole(packed[at : at + size]) for at in starts]
            return np.array(made, dtype=np.uint64)
        table = _array_of(self)
        state = np.full(rows.shape[0], self._start(), dtype=np.uint64)
        eight, low = np.uint64(8), np.uint64(0xFF)
        top, mask = np.uint64(self.width - 8), np.uint64((1 << self.width) - 1)
        # Bytes first, so that each step reads a contiguous line.
        for byte in np.ascontiguousarray(rows.T).astype(np.uint64):
            if self.reflected:
                state = (state >> eight) ^ table[(state ^ byte) & low]
            else:
                state = ((state << eight) & mask) ^ table[((state >> top) ^ byte) & low]
        return state ^ np.uint64(self.xorout)

    def _in_c(self) -> Callable[[memoryview], int] | None:
        """The same check of one message by Python's own library, where that has it."""
        if (self.width, self.poly, self.reflected) == (16, 0x1021, False):
            return lambda message: binascii.crc_hqx(message, self.init) ^ self.xorout
        return None

    def _start(self) -> int:
        return _mirror(self.init, self.width) if self.reflected else self.init


def _mirror(value: int, width: int) -> int:
    return int(f"{value:0{width}b}"[::-1], 2)


@cache
def _table_of(model: CrcModel) -> tuple[int, ...]:
    """256 steps of one byte."""
    mask = (1 << model.width) - 1
    poly = _mirror(model.poly, model.width) if model.reflected else model.poly
    table = []
    for byte in range(256):
        state = byte if model.reflected else byte << (model.width - 8)
        for _ in range(8):
            if model.reflected:
                state = (state >> 1) ^ (poly if state & 1 else 0)
            else:
                carry = state >> (model.width - 1)
                state = ((state << 1) & mask) ^ (poly if carry else 0)
        table.append(state)
    return tuple(table)


@cache
def _array_of(model: CrcModel) -> NDArray[np.uint64]:
    table = np.array(_table_of(model), dtype=np.uint64)
    table.setflags(write=False)
    return table


def _models(*rows: tuple[str, int, int, int, bool, int]) -> dict[str, CrcModel]:
    return {
        name: CrcModel(
            name=name, width=width, poly=poly, init=init, reflected=reflected, xorout=xorout
        )
        for name, width, poly, init, reflected, xorout in rows
    }


_ALL_16: Final = 0xFFFF
_ALL_32: Final = 0xFFFFFFFF
_ALL_64: Final = 0xFFFFFFFFFFFFFFFF

CATALOGUE: Final = _models(
    ("CRC-8/SMBUS", 8, 0x07, 0, False, 0),
    ("CRC-8/MAXIM-DOW", 8, 0x31, 0, True, 0),
    ("CRC-16/ARC", 16, 0x8005, 0, True, 0),
    ("CRC-16/MODBUS", 16, 0x8005, _ALL_16, True, 0),
    ("CRC-16/USB", 16, 0x8005, _ALL_16, True, _ALL_16),
    ("CRC-16/IBM-3740", 16, 0x1021, _ALL_16, False, 0),
    ("CRC-16/XMODEM", 16, 0x1021, 0, False, 0),
    ("CRC-16/KERMIT", 16, 0x1021, 0, True, 0),
    ("CRC-16/IBM-SDLC", 16, 0x1021, _ALL_16, True, _ALL_16),
    ("CRC-16/DNP", 16, 0x3D65, 0, True, _ALL_16),
    ("CRC-24/OPENPGP", 24, 0x864CFB, 0xB704CE, False, 0),
    ("CRC-32/ISO-HDLC", 32, 0x04C11DB7, _ALL_32, True, _ALL_32),
    ("CRC-32/ISCSI", 32, 0x1EDC6F41, _ALL_32, True, _ALL_32),
    ("CRC-32/MPEG-2", 32, 0x04C11DB7, _ALL_32, False, 0),
    ("CRC-32/BZIP2", 32, 0x04C11DB7, _ALL_32, False, _ALL_32),
    ("CRC-64/ECMA-182", 64, 0x42F0E1EBA9EA3693, 0, False, 0),
    ("CRC-64/XZ", 64, 0x42F0E1EBA9EA3693, _ALL_64, True, _ALL_64),
)
"""The checks common in instruments' frames, by the catalogue's own names. A protocol takes its
check from here by name; a row that none takes yet costs its one line, and no code of its own."""
