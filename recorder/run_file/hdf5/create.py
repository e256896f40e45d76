"""Making the file: every group, dataset, scale and attribute, before the first sample."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, unquote

import h5py
import numpy as np

from recorder.run.block import BLOCK_DTYPE
from recorder.run.calibrate import parse_certificates
from recorder.run.errors import RunFileError, reading
from recorder.run.header import RunHeader
from recorder.run_file.hdf5 import layout

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from calibration.certificates.certificate import Certificate
    from recorder.run.header import ChannelHeader, DeviceHeader

__all__ = [
    "LIBVER",
    "create_file",
    "get_text",
    "get_word",
    "put_text",
    "read_header",
    "utc_text",
]

LIBVER = ("v110", "v110")
"""Bounds of the file format: single-writer multiple-reader mode, and the offices' tools."""

_UNITS = {"tick": ("device ticks", "ticks"), "edge_tick": ("device ticks", "ticks")}


def create_file(path: Path, header: RunHeader) -> h5py.File:
    """Create a run file with its whole structure and no data; the caller closes it.

    Raises
    ------
    RunFileError
        The header cannot be laid out.
    FileExistsError
        There is a file already: a run is never overwritten.
    OSError
        The place cannot be written.
    """
    layout.check_names(header)
    certificates = parse_certificates(header)
    file = _new(path)
    try:
        _root(file, header)
        _texts(file, header)
        for device in header.devices:
            _device(file, device, certificates)
        _table(file, "marks/table", layout.MARK_DTYPE, "marks of the crew")
        _table(file, "gaps/table", layout.GAP_DTYPE, "gaps")
        _table(file, "events/table", layout.EVENT_DTYPE, "events")
    except BaseException:
        file.close()
        path.unlink()
        raise
    return file


def _new(path: Path) -> h5py.File:
    try:
        return h5py.File(path, "x", libver=LIBVER)
    except FileExistsError:
        raise
    except OSError as error:
        if error.errno is None:
            raise
        # HDF5 tells of buffers and offsets; a person wants the cause and the place.
        why = f"cannot be made: {os.strerror(error.errno)}"
        raise OSError(error.errno, why, str(path)) from error


def utc_text(utc_ns: int) -> str:
    """ISO 8601 in UTC to the microsecond, with ``Z``."""
    whole, rest = divmod(utc_ns, 10**9)
    moment = datetime.fromtimestamp(whole, UTC).replace(microsecond=rest // 1000)
    return moment.isoformat(timespec="microseconds").replace("+00:00", "Z")


def _root(file: h5py.File, header: RunHeader) -> None:
    # Of fixed length, like every text our own reader needs: texts of varying length lie in
    # heaps without a checksum, on which a reader of a damaged file may hang.
    file.attrs["format"] = np.bytes_(layout.FORMAT)
    file.attrs["layout_version"] = layout.LAYOUT_VERSION
    file.attrs["run_id"] = header.run_id
    file.attrs["started_utc"] = utc_text(header.started_utc_ns)
    file.attrs["started_utc_ns"] = np.int64(header.started_utc_ns)
    file.attrs["software"] = header.software
    file.attrs["origin"] = header.origin
    file.attrs["complete"] = np.uint8(0)
    file.attrs["hdf5"] = h5py.version.hdf5_version


def _texts(file: h5py.File, header: RunHeader) -> None:
    bare = replace(header, car_sheet="", trip_sheet="", route="", certificates={})
    put_text(file, "header/run", bare.to_json(), "header of the run, JSON")
    put_text(file, "header/car_sheet", header.car_sheet, "car sheet, TOML")
    put_text(file, "header/trip_sheet", header.trip_sheet, "trip sheet, TOML")
    put_text(file, "header/route", header.route, "route table, CSV")
    file.require_group("certificates")
    for name, text in header.certificates.items():
        put_text(file, f"certificates/{_quoted(name)}", text, "certificate, JSON")


def _quoted(name: str) -> str:
    return quote(name, safe=" +,=@").replace(".", "%2E")


def put_text(file: h5py.File, path: str, text: str, quantity: str) -> None:
    """Create a dataset of one text of fixed length."""
    data = text.encode("utf-8", "replace")
    kind = h5py.string_dtype("utf-8", max(len(data), 1))
    dataset = file.create_dataset(path, shape=(1,), maxshape=(1,), chunks=(1,), dtype=kind)
    dataset[0] = data
    dataset.attrs["quantity"] = quantity
    dataset.attrs["units"] = "text"


def _table(file: h5py.File, path: str, dtype: np.dtype[Any], quantity: str) -> None:
    chunk = layout.BLOCK_CHUNK if dtype is BLOCK_DTYPE else layout.TABLE_CHUNK
    table = file.create_dataset(
        path, shape=(0,), maxshape=(None,), chunks=(chunk,), dtype=dtype
    )
    table.attrs["quantity"] = quantity
    table.attrs["units"] = "by field"


def _device(
    file: h5py.File, device: DeviceHeader, certificates: Mapping[str, Certificate]
) -> None:
    group = file.create_group(f"devices/{device.name}")
    group.attrs["driver"] = device.driver
    group.attrs["port"] = device.port
    group.attrs["tick_hz"] = float(device.tick_hz)
    time = _column(group, "time_s", np.dtype("<f8"), "run time", "s")
    time.make_scale("time_s")
    for field in device.record_dtype.names or ():
        kind = device.record_dtype[field]
        quantity, units = _UNITS.get(field, (f"{field} as it came", "counts"))
        if kind.kind not in "iu":
            units = "as it came"
        _column(group, layout.raw_name(field), kind, quantity, units)
    for channel in device.channels:
        _channel(group, device, channel, certificates.get(channel.certificate))
    for dataset in group.values():
        if dataset.name != time.name:
            dataset.dims[0].attach_scale(time)
    _table(file, f"blocks/{device.name}", BLOCK_DTYPE, "receipt times and provisional lines")


def _channel(
    group: h5py.Group,
    device: DeviceHeader,
    channel: ChannelHeader,
    certificate: Certificate | None,
) -> None:
    kind = layout.channel_dtype(device, channel)
    values = _column(group, channel.name, kind, channel.quantity, channel.unit)
    values.attrs["field"] = channel.field
    values.attrs["certificate"] = channel.certificate
    if certificate is not None:
        values.attrs["certificate_id"] = certificate.certificate_id
        values.attrs["certificate_digest"] = certificate.digest
    for stated in ("standard_uncertainty", "relative_uncertainty"):
        if (u := getattr(channel, stated)) is not None:
            values.attrs[stated] = float(u)
    flags = _column(
        group, f"{channel.name}_flags", np.dtype("u1"), f"flags of {channel.quantity}", "1"
    )
    flags.attrs["bits"] = (
        "1 saturated, 2 out of certified range, 4 certificate expired, 8 suspect"
    )


def _column(
    group: h5py.Group, name: str, dtype: np.dtype[Any], quantity: str, units: str
) -> h5py.Dataset:
    column = group.create_dataset(
        name,
        shape=(0,),
        maxshape=(None,),
        chunks=(layout.chunk_rows(dtype),),
        dtype=dtype,
        fillvalue=layout.fill_value(dtype),
    )
    column.attrs["quantity"] = quantity
    column.attrs["units"] = units
    return column


def read_header(file: h5py.File, path: Path) -> RunHeader:
    """The run's header, sheets and certificates put back in.

    Raises
    ------
    RunFileError
        Not a run file, of a newer layout, or damaged.
    """
    with reading(path):
        if get_word(file, "format") != layout.FORMAT:
            msg = f"{path}: not a run file (an HDF5 file of another kind)"
            raise RunFileError(msg)
        version = int(file.attrs["layout_version"])
        if not 1 <= version <= layout.LAYOUT_VERSION:
            msg = (
                f"{path}: layout version {version}; this program reads 1 to"
                f" {layout.LAYOUT_VERSION}: use a newer one"
            )
            raise RunFileError(msg)
        bare = json.loads(get_text(file, "header/run"))
        bare["car_sheet"] = get_text(file, "header/car_sheet")
        bare["trip_sheet"] = get_text(file, "header/trip_sheet")
        if "header/route" in file:
            bare["route"] = get_text(file, "header/route")
        bare["certificates"] = {
            unquote(name): get_text(file, f"certificates/{name}")
            for name in file["certificates"]
        }
        header = RunHeader.from_json(json.dumps(bare))
        layout.check_names(header)
    return header


def get_word(file: h5py.File, name: str) -> str | None:
    """A root attribute of fixed length; None when there is none of that kind."""
    if name not in file.attrs or file.attrs.get_id(name).dtype.kind != "S":
        return None
    return bytes(file.attrs[name]).decode("utf-8", "replace")


def get_text(file: h5py.File, path: str) -> str:
    """The text of a dataset :func:`put_text` made; raises ``ValueError`` for anything else."""
    dataset = file[path]
    if dataset.shape != (1,) or dataset.dtype.kind != "S":
        msg = f"{path} is not a text"
        raise ValueError(msg)
    return bytes(dataset[0]).decode("utf-8")
