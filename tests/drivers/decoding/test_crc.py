"""CRCs against a catalogue, the standard library and a bit-by-bit reference.

Check values: the CRC of ASCII ``123456789`` in G. Cook, Catalogue of parametrised CRC algorithms.
Modbus frames: examples of MODBUS over Serial Line, Specification and Implementation Guide V1.02,
2006, and others, from memory.
"""

from __future__ import annotations

import binascii
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.decoding.crc import CATALOGUE, CrcModel
from tests.drivers.wire import crc_bit_by_bit

CHECKS = {
    "CRC-8/SMBUS": 0xF4,
    "CRC-8/MAXIM-DOW": 0xA1,
    "CRC-16/ARC": 0xBB3D,
    "CRC-16/MODBUS": 0x4B37,
    "CRC-16/USB": 0xB4C8,
    "CRC-16/IBM-3740": 0x29B1,
    "CRC-16/XMODEM": 0x31C3,
    "CRC-16/KERMIT": 0x2189,
    "CRC-16/IBM-SDLC": 0x906E,
    "CRC-16/DNP": 0xEA82,
    "CRC-24/OPENPGP": 0x21CF02,
    "CRC-32/ISO-HDLC": 0xCBF43926,
    "CRC-32/ISCSI": 0xE3069283,
    "CRC-32/MPEG-2": 0x0376E6E7,
    "CRC-32/BZIP2": 0xFC891918,
    "CRC-64/ECMA-182": 0x6C40DF5F0B497347,
    "CRC-64/XZ": 0x995DC9BBDF1939FA,
}
MODBUS_FRAMES = (
    "02 07 41 12",
    "01 03 00 02 00 01 25 CA",
    "11 01 00 13 00 25 0E 84",
    "11 01 05 CD 6B B2 0E 1B 45 E6",
    "10 06 02 02 00 03 6A F2",
    "01 01 00 00 00 02 BD CB",
    "01 01 01 02 D0 49",
    "01 03 02 01 84 B9 B7",
    "01 03 00 85 00 01 95 E3",
)
TEXT = b"123456789"


def crc(name: str, data: bytes) -> int:
    """CRC of one message."""
    (value,) = CATALOGUE[name].of_rows(np.frombuffer(data, dtype=np.uint8)[np.newaxis]).tolist()
    return int(value)


def test_every_model_of_the_catalogue_has_its_check_value_here() -> None:
    assert set(CATALOGUE) == set(CHECKS)


@pytest.mark.parametrize("name", CHECKS)
def test_published_check_value(name: str) -> None:
    rows = np.frombuffer(TEXT * 3, dtype=np.uint8).reshape(3, 9)
    assert CATALOGUE[name].of_rows(rows).tolist() == [CHECKS[name]] * 3


@pytest.mark.parametrize("frame", MODBUS_FRAMES)
def test_published_modbus_frame(frame: str) -> None:
    data = bytes.fromhex(frame)
    assert crc("CRC-16/MODBUS", data[:-2]) == int.from_bytes(data[-2:], "little")


@given(data=st.binary(max_size=64))
def test_agrees_with_the_standard_library(data: bytes) -> None:
    assert crc("CRC-32/ISO-HDLC", data) == zlib.crc32(data)
    assert crc("CRC-16/XMODEM", data) == binascii.crc_hqx(data, 0)
    assert crc("CRC-16/IBM-3740", data) == binascii.crc_hqx(data, 0xFFFF)


@given(data=st.binary(max_size=24), name=st.sampled_from(sorted(CHECKS)))
def test_agrees_with_bit_by_bit(data: bytes, name: str) -> None:
    model = CATALOGUE[name]
    expected = crc_bit_by_bit(
        data,
        model.width,
        model.poly,
        model.init,
        reflected=model.reflected,
        xorout=model.xorout,
    )
    assert crc(name, data) == expected


@given(rows=st.integers(0, 5), columns=st.integers(0, 30), seed=st.integers(0, 2**32 - 1))
def test_rows_are_the_same_as_one_by_one(rows: int, columns: int, seed: int) -> None:
    data = np.random.default_rng(seed).integers(0, 256, (rows, columns), dtype=np.uint8)
    model = CATALOGUE["CRC-16/IBM-3740"]
    assert model.of_rows(data).tolist() == [crc(model.name, row.tobytes()) for row in data]


def test_a_model_that_does_not_fit_its_width_is_refused() -> None:
    with pytest.raises(ValueError, match="bad: width must be 8 to 64"):
        CrcModel(name="bad", width=8, poly=0x107, init=0, reflected=False, xorout=0)
    with pytest.raises(ValueError, match="bad: width must be 8 to 64"):
        CrcModel(name="bad", width=7, poly=0x09, init=0, reflected=False, xorout=0)
