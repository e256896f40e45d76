"""What devices, fields and channels of a header are called in the file, and of what type."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import quote, unquote

import numpy as np

from recorder.run.parts.errors import RunFileError
from recorder.run_file.hdf5.layout import CHUNK, LONGEST_CHUNK_BYTES

if TYPE_CHECKING:
    from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader

__all__ = [
    "certificate_name",
    "certificate_path",
    "channel_dtype",
    "check_names",
    "chunk_rows",
    "fill_value",
    "raw_name",
]

_NAME: Final = re.compile(r"[A-Za-z][A-Za-z0-9_-]{0,63}")


def raw_name(field: str) -> str:
    """Dataset of a record field: ``tick`` as it is, others as ``raw_FIELD``."""
    return field if field == "tick" else f"raw_{field}"


def certificate_path(name: str) -> str:
    """Path of a certificate; a slash or dot in its name would be a path to HDF5."""
    return f"certificates/{quote(name, safe=' +,=@').replace('.', '%2E')}"


def certificate_name(dataset: str) -> str:
    """Inverse of :func:`certificate_path`, without the group."""
    return unquote(dataset)


def channel_dtype(device: DeviceHeader, channel: ChannelHeader) -> np.dtype[Any]:
    """f4 for values a certificate makes from counts of at most 32 bits, else f8."""
    if channel.field and channel.certificate:
        kind = device.record_dtype[channel.field]
        if kind.kind in "iu" and kind.itemsize <= 4 and channel.true_unit == "kN":
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
