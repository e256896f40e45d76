"""Making the file: every group, dataset, scale and attribute, before the first sample."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

import h5py
import numpy as np

from calibration.quantities.flags import ALL_FLAGS, describe
from recorder.machine.private_files import create_private
from recorder.run.time.utc import utc_text
from recorder.run.values.calibrate import parse_certificates
from recorder.run_file.hdf5 import layout, naming
from recorder.run_file.hdf5.open import CACHE_BYTES, LIBVER
from recorder.run_file.hdf5.store import Column, Store

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from calibration.certificates.certificate import Certificate
    from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader

__all__ = ["create_file", "describe_dataset", "put_text"]

_TICKS: Final = ("edge_tick", "pps_tick")
"""Fields beside ``tick`` that are device ticks too, by the protocol tables."""
_BITS: Final = ", ".join(f"{bit} {describe(bit)}" for bit in ALL_FLAGS)


def create_file(path: Path, header: RunHeader) -> Store:
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
    naming.check_names(header)
    certificates = parse_certificates(header)
    store = _new(path)
    try:
        _root(store, header)
        _texts(store, header)
        store.make_group("devices")
        store.make_group("blocks")
        for device in header.devices:
            _device(store, device, certificates)
        for table in ("marks/table", "gaps/table", "events/table"):
            _table(store, table, layout.part(table), layout.TABLE_CHUNK)
    except BaseException:
        store.close()
        path.unlink()
        raise
    return store


def _new(path: Path) -> Store:
    try:
        # HDF5 would leave the rights to the umask.
        os.close(create_private(path))
        file = h5py.File(path, "w", libver=LIBVER, locking=False, rdcc_nbytes=CACHE_BYTES)
        return Store(path, file)
    except FileExistsError:
        raise  # its words say already what stands there
    except OSError as error:
        if error.errno is None:
            raise
        # HDF5 tells of buffers and offsets; a person wants the cause and the place.
        why = f"cannot be made: {os.strerror(error.errno)}"
        raise OSError(error.errno, why, str(path)) from error


def _root(store: Store, header: RunHeader) -> None:
    values: dict[str, object] = {
        "format": np.bytes_(layout.FORMAT),
        "layout_version": layout.LAYOUT_VERSION,
        "run_id": header.run_id,
        "started_utc": utc_text(header.started_utc_ns),
        "started_utc_ns": np.int64(header.started_utc_ns),
        "software": header.software,
        "origin": header.origin,
        "complete": np.uint8(0),
        "hdf5": h5py.version.hdf5_version,
    }
    wanted = [held.name for held in layout.ROOT if not held.at_seal]
    store.set_attributes("/", {name: values[name] for name in wanted})


def _texts(store: Store, header: RunHeader) -> None:
    bare = replace(header, car_sheet="", trip_sheet="", route="", certificates={})
    put_text(store, "header/run", bare.to_json())
    put_text(store, "header/car_sheet", header.car_sheet)
    put_text(store, "header/trip_sheet", header.trip_sheet)
    put_text(store, "header/route", header.route)
    store.make_group("certificates")
    for name, text in header.certificates.items():
        column = store.put_text(naming.certificate_path(name), text)
        describe_dataset(column, layout.part("certificates/NAME"))


def put_text(store: Store, path: str, text: str) -> None:
    """Create a text that :data:`~recorder.run_file.hdf5.layout.PARTS` describes by its path."""
    described = layout.part(path)
    describe_dataset(store.put_text(path, text), described)


def describe_dataset(
    column: Column, described: layout.Part, *, quantity: str = "", units: str = ""
) -> None:
    """Set ``quantity`` and ``units``: as described, or as given where the header says."""
    column.set_attributes(
        {"quantity": described.quantity or quantity, "units": described.units or units}
    )


def _table(store: Store, path: str, described: layout.Part, chunk: int) -> None:
    assert described.dtype is not None
    describe_dataset(store.make_column(path, described.dtype, chunk), described)


def _device(
    store: Store, device: DeviceHeader, certificates: Mapping[str, Certificate]
) -> None:
    place = f"devices/{device.name}"
    store.make_group(place)
    store.set_attributes(
        place,
        {"driver": device.driver, "port": device.port, "tick_hz": float(device.tick_hz)},
    )
    time = _column(store, f"{place}/time_s", "time_s", np.dtype("<f8"))
    columns = [_field(store, place, device, name) for name in device.record_dtype.names or ()]
    for channel in device.channels:
        columns += _channel(store, device, channel, certificates.get(channel.certificate))
    time.make_scale_of(columns)
    _table(store, f"blocks/{device.name}", layout.part("blocks/DEVICE"), layout.BLOCK_CHUNK)


def _field(store: Store, place: str, device: DeviceHeader, name: str) -> Column:
    path, dtype = f"{place}/{naming.raw_name(name)}", device.record_dtype[name]
    if name == "tick":
        return _column(store, path, "tick", dtype)
    if name in _TICKS:
        quantity, units = "device ticks", "ticks"
    else:
        units = "counts" if dtype.kind in "iu" else "as it came"
        quantity = f"{name} as it came"
    return _column(store, path, "raw_FIELD", dtype, quantity=quantity, units=units)


def _channel(
    store: Store,
    device: DeviceHeader,
    channel: ChannelHeader,
    certificate: Certificate | None,
) -> tuple[Column, Column]:
    path = f"devices/{device.name}/{channel.name}"
    values = _column(
        store,
        path,
        "CHANNEL",
        naming.channel_dtype(device, channel),
        quantity=channel.quantity,
        units=channel.true_unit,
    )
    attributes: dict[str, object] = {
        "field": channel.field,
        "certificate": channel.certificate,
        "certificate_id": None if certificate is None else certificate.certificate_id,
        "certificate_digest": None if certificate is None else certificate.digest,
        "standard_uncertainty": channel.standard_uncertainty,
        "relative_uncertainty": channel.relative_uncertainty,
    }
    values.set_attributes({k: held for k, held in attributes.items() if held is not None})
    flags = _column(
        store,
        f"{path}_flags",
        "CHANNEL_flags",
        np.dtype("u1"),
        quantity=f"flags of {channel.quantity}",
    )
    flags.set_attributes({"bits": _BITS})
    return values, flags


def _column(
    store: Store,
    path: str,
    kind: str,
    dtype: np.dtype[Any],
    *,
    quantity: str = "",
    units: str = "",
) -> Column:
    described = layout.part(f"devices/DEVICE/{kind}")
    column = store.make_column(path, dtype, naming.chunk_rows(dtype), naming.fill_value(dtype))
    describe_dataset(column, described, quantity=quantity, units=units)
    return column
