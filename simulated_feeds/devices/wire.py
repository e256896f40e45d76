"""Bytes on the wire, from the protocol tables in DEVELOPERS.md.

Everything here is pure. Whole stretches are encoded at once; the only loop is over frames, for
their checksums.
"""

from __future__ import annotations

import binascii
import zlib
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

import numpy as np

from simulated_feeds.settings.errors import FeedError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "RAIL_HIGH",
    "RAIL_LOW",
    "WHEEL_BYTES",
    "load_cell_frames",
    "nmea_sentence",
    "utc_fields",
    "wheel_frames",
]

RAIL_LOW: Final = -(2**23)
RAIL_HIGH: Final = 2**23 - 1
"""The converter's rails."""
WHEEL_BYTES: Final = 24
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

_HEAD: Final = np.dtype(
    [
        ("sync", "u1", (2,)),
        ("version", "u1"),
        ("channels", "u1"),
        ("samples", "<u2"),
        ("sequence", "<u4"),
        ("tick", "<u4"),
        ("step", "<u4"),
        ("tick_hz", "<u4"),
    ]
)
_WHEEL: Final = np.dtype(
    [
        ("sync", "u1"),
        ("sequence", "u1"),
        ("flags", "u1"),
        ("pps_count", "u1"),
        ("count", "<u4"),
        ("edge_tick", "<u4"),
        ("tick", "<u4"),
        ("pps_tick", "<u4"),
        ("tick_khz", "<u2"),
        ("crc", "<u2"),
    ]
)


def load_cell_frames(
    counts: NDArray[np.int64] | NDArray[np.int32],
    *,
    first_sequence: int,
    first_ticks: ArrayLike,
    step_ticks: int,
    tick_hz: int,
) -> list[bytes]:
    """Frames of 24-bit samples.

    Parameters
    ----------
    counts : (f, n, c) integer
        f frames of n samples of c channels; held at the converter's rails beyond them.
    first_sequence
        Of the first frame; +1 a frame, wraps.
    first_ticks : (f,) integer
        Device tick of each frame's first sample; wraps.
    step_ticks, tick_hz
        Ticks between samples, and per second.

    Raises
    ------
    FeedError
        More channels or samples than a frame can hold.
    """
    f, n, c = counts.shape
    if not (1 <= c <= 16 and 1 <= n <= 512 and step_ticks >= 1 and 1 <= tick_hz < 2**32):
        msg = (
            "a frame holds 1 to 16 channels and 1 to 512 samples with steps of at least one"
            f" tick, got {c} channels, {n} samples, step {step_ticks}, {tick_hz} ticks/s"
        )
        raise FeedError(msg)
    head = np.zeros(f, _HEAD)
    head["sync"] = (0xA7, 0x5C)
    head["version"], head["channels"], head["samples"] = 1, c, n
    head["sequence"] = (first_sequence + np.arange(f)) % 2**32
    head["tick"] = np.asarray(first_ticks, dtype=np.int64) % 2**32
    head["step"], head["tick_hz"] = step_ticks, tick_hz
    held = np.clip(counts, RAIL_LOW, RAIL_HIGH).astype("<i4")
    samples = held.reshape(f, n * c, 1).view(np.uint8)[:, :, :3]
    body = np.empty((f, _HEAD.itemsize + 3 * n * c), np.uint8)
    body[:, : _HEAD.itemsize] = head.view(np.uint8).reshape(f, -1)
    body[:, _HEAD.itemsize :] = samples.reshape(f, -1)
    frames = []
    for row in body:
        data = row.tobytes()
        frames.append(data + zlib.crc32(memoryview(data)[2:]).to_bytes(4, "little"))
    return frames


def wheel_frames(
    *,
    sequence: ArrayLike,
    flags: ArrayLike,
    pps_count: ArrayLike,
    count: ArrayLike,
    edge_tick: ArrayLike,
    tick: ArrayLike,
    pps_tick: ArrayLike,
    tick_hz: int,
) -> list[bytes]:
    """Frames of the pulse counter, one for each of the (f,) values given; all wrap as the wire
    does.

    Raises
    ------
    FeedError
        A tick rate that is not whole kilohertz, or beyond 65 535 kHz.
    """
    if tick_hz % 1000 or not 1 <= tick_hz // 1000 <= 0xFFFF:
        msg = f"a wheel's tick rate must be 1 to 65535 whole kHz, got {tick_hz} Hz"
        raise FeedError(msg)
    ticks = np.asarray(tick, dtype=np.int64)
    frames = np.zeros(ticks.shape, _WHEEL)
    frames["sync"] = 0xD2
    frames["sequence"] = np.asarray(sequence, dtype=np.int64) % 256
    frames["flags"] = np.asarray(flags)
    frames["pps_count"] = np.asarray(pps_count, dtype=np.int64) % 256
    frames["count"] = np.asarray(count, dtype=np.int64) % 2**32
    frames["edge_tick"] = np.asarray(edge_tick, dtype=np.int64) % 2**32
    frames["tick"] = ticks % 2**32
    frames["pps_tick"] = np.asarray(pps_tick, dtype=np.int64) % 2**32
    frames["tick_khz"] = tick_hz // 1000
    out = []
    for row in frames.view(np.uint8).reshape(ticks.size, WHEEL_BYTES):
        data = row[:22].tobytes()
        # CRC-16/IBM-3740 is the CCITT polynomial from FFFF.
        out.append(data + binascii.crc_hqx(data[1:], 0xFFFF).to_bytes(2, "little"))
    return out


def nmea_sentence(body: str) -> bytes:
    """``$body*hh`` with line end; hh is the exclusive or of the body's characters."""
    data = body.encode("ascii")
    check = 0
    for byte in data:
        check ^= byte
    return b"$%b*%02X\r\n" % (data, check)


def utc_fields(utc_ns: int) -> tuple[str, str, str]:
    """``hhmmss.ss``, ``ddmmyy`` and ``dd,mm,yyyy`` of a UTC in Unix nanoseconds."""
    hundredths = utc_ns // 10_000_000
    at = _EPOCH + timedelta(milliseconds=10 * hundredths)
    clock = f"{at:%H%M%S}.{hundredths % 100:02d}"
    return clock, f"{at:%d%m%y}", f"{at:%d,%m,%Y}"
