"""Bytes on the wire: golden frames put together by hand from the protocol tables."""

from __future__ import annotations

import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from simulated_feeds.devices.wire import (
    RAIL_HIGH,
    RAIL_LOW,
    load_cell_frames,
    nmea_sentence,
    utc_fields,
    wheel_frames,
)
from simulated_feeds.settings.errors import FeedError


def crc32_bitwise(data: bytes) -> int:
    """CRC-32/ISO-HDLC, bit by bit, as the catalogue defines it."""
    value = 0xFFFFFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = value >> 1 ^ (0xEDB88320 if value & 1 else 0)
    return value ^ 0xFFFFFFFF


def crc16_bitwise(data: bytes) -> int:
    """CRC-16/IBM-3740, bit by bit, as the catalogue defines it."""
    value = 0xFFFF
    for byte in data:
        value ^= byte << 8
        for _ in range(8):
            value = (value << 1 ^ (0x1021 if value & 0x8000 else 0)) & 0xFFFF
    return value


def test_checksums_are_the_catalogues() -> None:
    """Check values of the public CRC catalogue for ``123456789``."""
    assert crc32_bitwise(b"123456789") == 0xCBF43926
    assert crc16_bitwise(b"123456789") == 0x29B1


def test_golden_load_cell_frame() -> None:
    counts = np.array([[[1, -1], [RAIL_HIGH, RAIL_LOW], [0x123456, -0x123456]]])
    (frame,) = load_cell_frames(
        counts, first_sequence=7, first_ticks=[1000], step_ticks=500, tick_hz=1_000_000
    )
    body = (
        "01 02 0300 07000000 e8030000 f4010000 40420f00"
        "010000 ffffff ffff7f 000080 563412 aacbed"
    )
    data = bytes.fromhex(body)
    assert frame == b"\xa7\x5c" + data + struct.pack("<I", crc32_bitwise(data))


def test_golden_wheel_frame() -> None:
    (frame,) = wheel_frames(
        sequence=[5], flags=[5], pps_count=[3], count=[1000], edge_tick=[2_050_000],
        tick=[2_060_000], pps_tick=[2_000_000], tick_hz=1_000_000,
    )  # fmt: skip
    data = bytes.fromhex("05 05 03 e8030000 d0471f00 e06e1f00 80841e00 e803")
    assert frame == b"\xd2" + data + struct.pack("<H", crc16_bitwise(data))


def test_backward_counts_wrap() -> None:
    (frame,) = wheel_frames(
        sequence=[300], flags=[0], pps_count=[256], count=[-1], edge_tick=[2**32 + 5],
        tick=[2**33 + 6], pps_tick=[0], tick_hz=2_000_000,
    )  # fmt: skip
    head = struct.unpack_from("<BBBBIIIIH", frame)
    assert head == (0xD2, 44, 0, 0, 2**32 - 1, 5, 6, 0, 2000)


@settings(max_examples=40, deadline=None)
@given(
    hnp.arrays(
        np.int32,
        hnp.array_shapes(min_dims=3, max_dims=3, max_side=6),
        elements=st.integers(-(2**31), 2**31 - 1),
    ),
    st.integers(0, 2**33),
    st.integers(0, 2**40),
)
def test_frames_read_back(counts: np.ndarray, sequence: int, tick: int) -> None:
    """A reader written here, sample by sample from the table, finds what went in."""
    f, n, c = counts.shape
    ticks = tick + 17 * np.arange(f)
    frames = load_cell_frames(
        counts, first_sequence=sequence, first_ticks=ticks, step_ticks=9, tick_hz=48_000
    )
    for i, frame in enumerate(frames):
        head = struct.unpack_from("<2sBBHIIII", frame)
        wrapped = ((sequence + i) % 2**32, int(ticks[i]) % 2**32)
        assert head == (b"\xa7\x5c", 1, c, n, *wrapped, 9, 48_000)
        for k in range(n):
            for j in range(c):
                at = 22 + 3 * (k * c + j)
                value = int.from_bytes(frame[at : at + 3], "little", signed=True)
                assert value == min(max(int(counts[i, k, j]), RAIL_LOW), RAIL_HIGH)
        assert len(frame) == 22 + 3 * n * c + 4
        assert struct.unpack("<I", frame[-4:])[0] == crc32_bitwise(frame[2:-4])


@pytest.mark.parametrize(
    ("shape", "step", "hz"),
    [((1, 1, 17), 1, 1), ((1, 513, 1), 1, 1), ((1, 1, 1), 0, 1), ((1, 1, 1), 1, 0)],
)
def test_what_no_frame_can_hold(shape: tuple[int, ...], step: int, hz: int) -> None:
    with pytest.raises(FeedError, match="a frame holds"):
        load_cell_frames(
            np.zeros(shape, np.int32), first_sequence=0, first_ticks=[0], step_ticks=step,
            tick_hz=hz,
        )  # fmt: skip


@pytest.mark.parametrize("hz", [500, 1500, 0, 70_000_000])
def test_wheel_ticks_are_whole_kilohertz(hz: int) -> None:
    with pytest.raises(FeedError, match="kHz"):
        wheel_frames(
            sequence=[0], flags=[0], pps_count=[0], count=[0], edge_tick=[0], tick=[0],
            pps_tick=[0], tick_hz=hz,
        )  # fmt: skip


@pytest.mark.parametrize(
    "line",
    [
        # As in tests/drivers/nmea_lines.py, which names their sources.
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        "$GNRMC,001031.00,A,4404.13993,N,12118.86023,W,0.146,,100117,,,A*7B",
        "$GPZDA,160012.71,11,03,2004,-1,00*7D",
        "$GPVTG,220.86,T,,M,2.550,N,4.724,K,A*34",
    ],
)
def test_published_sentences(line: str) -> None:
    assert nmea_sentence(line[1:-3]) == line.encode() + b"\r\n"


def test_time_fields() -> None:
    """1 000 000 000 s of Unix time is 2001-09-09 01:46:40 UTC (common knowledge)."""
    ns = 1_000_000_000_123_000_000
    assert utc_fields(ns) == ("014640.12", "090901", "09,09,2001")
    assert utc_fields(951_782_399_999_999_999) == ("235959.99", "280200", "28,02,2000")
