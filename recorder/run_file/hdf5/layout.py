"""What is where in a run file.

Version 1. One HDF5 file (superblock 3, bounds ``v110``), chunked and not compressed::

    /                          attributes: format, layout_version, run_id, started_utc,
                               started_utc_ns, software, origin, complete (0 while recording,
                               1 when sealed), and once sealed: sealed_utc, duration_s,
                               digests_sha256
    /header/run                JSON of the run's header, without the texts below
    /header/car_sheet          the car sheet, in full
    /header/trip_sheet         the trip sheet, in full
    /certificates/NAME         each certificate, in full
    /devices/DEVICE/
        time_s                 (n,) f8 run time of each record; the dimension scale of the rest
        tick                   (n,) u8 device ticks
        raw_FIELD              (n,) every other field of the records, exactly as it came
        CHANNEL                (n,) calibrated value; f4 for values made from counts of at most
                               32 bits by a force certificate, else f8
        CHANNEL_flags          (n,) u1, bits of ``calibration.quantities.flags``
    /blocks/DEVICE             (b,) receipt times and provisional lines, see ``BLOCK_DTYPE``
    /marks/table, /gaps/table, /events/table
                               fixed-length rows, there while recording; long words cut short
                               (``cut`` is then 1)
    /marks/json, /gaps/json, /events/json
                               once sealed: every revision, gap and event in full, a JSON list
    /overview/CHANNEL/level_K  once sealed: minimum, maximum, mean, flags, count in even bins of
                               run time (attributes t0_s, width_s); widths grow fourfold
    /clock/utc                 once sealed: run time, UTC and its standard uncertainty (NaN: not
                               known) at nodes; straight lines between
    /clock/utc_source          once sealed: JSON, what UTC was fitted to
    /clock/ticks               once sealed: JSON, how each device's ticks were tied to run time
    /digests/json              once sealed: SHA-256 of every dataset with its attributes

Texts are datasets of one string of fixed length. A sealed file ends, behind the end of the HDF5
part, in one line with the SHA-256 of all bytes before it.

Every dataset has the attributes ``quantity`` and ``units``; a channel also has ``certificate``,
``certificate_id``, ``certificate_digest``, ``field`` and, where stated,
``standard_uncertainty`` and ``relative_uncertainty``.

Fill values cannot be data: NaN, the least signed integer, the greatest unsigned one. Nothing is
created, and no attribute is set, while the file is written in single-writer multiple-reader
mode: the library does not refuse that, but readers would see broken metadata. Datasets may then
differ in length by one append; readers cut to the shortest.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from recorder.run.errors import RunFileError

if TYPE_CHECKING:
    from recorder.run.header import ChannelHeader, DeviceHeader, RunHeader

__all__ = [
    "BLOCK_CHUNK",
    "CHUNK",
    "EVENT_DTYPE",
    "FORMAT",
    "GAP_DTYPE",
    "LAYOUT_VERSION",
    "MARK_DTYPE",
    "TABLE_CHUNK",
    "channel_dtype",
    "check_names",
    "chunk_rows",
    "fill_value",
    "fixed",
    "raw_name",
]

FORMAT: Final = "testcar-run"
LAYOUT_VERSION: Final = 1
CHUNK: Final = 20_000
"""Records a chunk: 10 s at 2 kHz."""
LONGEST_CHUNK_BYTES: Final = 262_144
"""Of wide fields such as sentences, so that a chunk fits many times into HDF5's own 1 MiB cache."""
BLOCK_CHUNK: Final = 4_096
TABLE_CHUNK: Final = 256
"""Marks, gaps and events are few; a chunk is the least a table takes."""

MARK_DTYPE: Final = np.dtype(
    [
        ("mark_id", "S32"),
        ("revision", "<i4"),
        ("kind", "S32"),
        ("t_s", "<f8"),
        ("value", "S64"),
        ("note", "S128"),
        ("by", "S64"),
        ("withdrawn", "u1"),
        ("entered_utc_ns", "<i8"),
        ("cut", "u1"),
    ]
)
GAP_DTYPE: Final = np.dtype(
    [
        ("device", "S64"),
        ("t_start_s", "<f8"),
        ("t_end_s", "<f8"),
        ("cause", "S32"),
        ("detail", "S128"),
        ("lost_records", "<i8"),
        ("before_record", "<i8"),
        ("cut", "u1"),
    ]
)
EVENT_DTYPE: Final = np.dtype(
    [("kind", "S32"), ("t_s", "<f8"), ("data", "S512"), ("cut", "u1")]
)

_NAME: Final = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,63}")


def raw_name(field: str) -> str:
    """Dataset of a record field: ``tick`` as it is, others as ``raw_FIELD``."""
    return field if field == "tick" else f"raw_{field}"


def channel_dtype(device: DeviceHeader, channel: ChannelHeader) -> np.dtype[Any]:
    """f4 for values a certificate makes from counts of at most 32 bits, else f8."""
    if channel.field and channel.certificate:
        kind = device.record_dtype[channel.field]
        if kind.kind in "iu" and kind.itemsize <= 4 and channel.unit == "kN":
            return np.dtype("<f4")
    return np.dtype("<f8")


def chunk_rows(dtype: np.dtype[Any]) -> int:
    """Rows of a chunk: ``CHUNK``, fewer where a row is long (sentences as they came)."""
    return min(CHUNK, max(LONGEST_CHUNK_BYTES // dtype.itemsize, 1))


def fill_value(dtype: np.dtype[Any]) -> object:
    """A value that cannot be data: NaN, the least signed, the greatest unsigned integer."""
    match dtype.kind:
        case "f":
            return np.nan
        case "i":
            return np.iinfo(dtype).min
        case "u":
            return np.iinfo(dtype).max
        case _:
            return None


def fixed(text: str, dtype: np.dtype[Any]) -> tuple[bytes, bool]:
    """UTF-8 bytes that fit a fixed length, cut between characters, and whether it was cut."""
    data = text.encode("utf-8", "replace")
    size = dtype.itemsize
    if len(data) <= size:
        return data, False
    return data[:size].decode("utf-8", "ignore").encode("utf-8"), True


def check_names(header: RunHeader) -> None:
    """See that devices, fields and channels can be laid out.

    Raises
    ------
    RunFileError
        A name cannot be a dataset's, or two would be the same dataset.
    """
    channels: set[str] = set()
    devices: set[str] = set()
    for device in header.devices:
        _check_name(device.name, "device")
        if device.name in devices:
            msg = f"device {device.name} is there twice"
            raise RunFileError(msg)
        devices.add(device.name)
        _check_device(device, channels)


def _check_device(device: DeviceHeader, channels: set[str]) -> None:
    try:
        fields = device.record_dtype.names or ()
    except (TypeError, ValueError) as error:
        msg = f"device {device.name}: its records cannot be laid out ({error})"
        raise RunFileError(msg) from error
    if not fields or fields[0] != "tick" or device.record_dtype["tick"] != np.dtype("<u8"):
        msg = f"device {device.name}: the first field must be tick, <u8; got {device.dtype[:1]}"
        raise RunFileError(msg)
    taken = {"time_s", *(raw_name(field) for field in fields)}
    for channel in device.channels:
        _check_name(channel.name, f"channel of {device.name}")
        if channel.field and channel.field not in fields:
            msg = (
                f"channel {channel.name}: {device.name} has no field {channel.field!r};"
                f" it has {', '.join(fields)}"
            )
            raise RunFileError(msg)
        if channel.name in channels:
            msg = f"channel {channel.name} is there twice: a channel's name is unique in a run"
            raise RunFileError(msg)
        channels.add(channel.name)
        for name in (channel.name, f"{channel.name}_flags"):
            if name in taken:
                msg = f"channel {channel.name}: the name {name} is taken in {device.name}"
                raise RunFileError(msg)
            taken.add(name)


def _check_name(name: str, what: str) -> None:
    if not _NAME.fullmatch(name):
        msg = (
            f"{what}: the name must be a letter and then letters, digits, _ or -,"
            f" at most 64, got {name!r}"
        )
        raise RunFileError(msg)
