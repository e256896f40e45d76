"""The description of the file against the file, both ways: nothing is undescribed, nothing missing.

What is expected comes from the header of the made-up run and from the description, never from
the code that makes files.
"""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest

from recorder.keeping.seal import seal
from recorder.run.parts.header import DeviceHeader, RunHeader
from recorder.run_file.hdf5 import layout
from recorder.run_file.hdf5.layout import PARTS, ROOT, Form, Part, part
from recorder.run_file.hdf5.live_writer import LiveWriter
from tests.recorder.made_runs import MadeRun, append_blocks, header, made_run


@pytest.fixture(scope="module")
def routed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, RunHeader]:
    """A sealed run with everything a demo's has: sheets, a route, stated uncertainties."""
    made = made_run(12.0)
    made.header = header(
        car_sheet="[car]", trip_sheet="[trip]", route="from_m\n0\n", origin="replayed"
    )
    run = tmp_path_factory.mktemp("routed") / "run.h5"
    seal(made.filed(run), run)
    return run, made.header


def paths_of(run: Path) -> dict[str, str]:
    """Every group and dataset, and the path its description stands under."""
    with h5py.File(run, "r") as file:
        names: list[str] = []
        file.visit(names.append)
        fields = {
            f"devices/{device}/{name}"
            for device, group in file["devices"].items()
            for name in group
            if name.startswith("raw_")
        }
    return {name: described(name, raw=name in fields) for name in names}


def described(path: str, *, raw: bool) -> str:
    """The path with its names replaced as the description writes them."""
    match path.split("/"):
        case ["certificates", _]:
            return "certificates/NAME"
        case ["devices" | "blocks" as room, _]:
            return f"{room}/DEVICE"
        case ["devices", _, "time_s" | "tick" as name]:
            return f"devices/DEVICE/{name}"
        case ["devices", _, name]:
            kind = "CHANNEL_flags" if name.endswith("_flags") else "CHANNEL"
            return f"devices/DEVICE/{'raw_FIELD' if raw else kind}"
        case ["overview", _]:
            return "overview/CHANNEL"
        case ["overview", _, name]:
            return "overview/CHANNEL/level_K" if name.startswith("level_") else path
        case _:
            return path


def test_everything_in_a_sealed_file_is_described(routed: tuple[Path, RunHeader]) -> None:
    run, _ = routed
    known = {held.path for held in PARTS}
    assert {path for path, kind in paths_of(run).items() if kind not in known} == set()


def test_everything_described_is_in_a_sealed_file(routed: tuple[Path, RunHeader]) -> None:
    """A full run has the optional parts too."""
    run, _ = routed
    assert {held.path for held in PARTS} - set(paths_of(run).values()) == set()
    with h5py.File(run, "r") as file:
        assert set(file.attrs) == {held.name for held in ROOT}


def test_before_the_seal_there_is_what_is_described_as_such(
    tmp_path: Path, made: MadeRun
) -> None:
    run = tmp_path / "run.h5"
    with LiveWriter(run, made.header) as writer:
        append_blocks(writer, made.blocks)
    assert set(paths_of(run).values()) == {held.path for held in PARTS if not held.at_seal}
    with h5py.File(run, "r") as file:
        assert set(file.attrs) == {held.name for held in ROOT if not held.at_seal}


def test_every_dataset_is_as_described(routed: tuple[Path, RunHeader]) -> None:
    run, _ = routed
    with h5py.File(run, "r") as file:
        for path, as_described in paths_of(run).items():
            check(file[path], path, part(as_described))


def check(item: h5py.HLObject, path: str, held: Part) -> None:
    attributes = set(item.attrs) - layout.OF_SCALES
    wanted = {a.name for a in held.attributes}
    needed = {a.name for a in held.attributes if not a.optional}
    if held.form is Form.GROUP:
        assert isinstance(item, h5py.Group), path
        assert needed <= attributes <= wanted, path
        return
    assert isinstance(item, h5py.Dataset), path
    assert needed <= attributes - {"quantity", "units"} <= wanted, path
    assert item.attrs["quantity"] == (held.quantity or item.attrs["quantity"]), path
    assert item.attrs["units"] == (held.units or item.attrs["units"]), path
    assert item.attrs["quantity"], path
    assert item.attrs["units"], path
    assert len(item.shape) == 1, path
    assert item.compression is None, path
    if held.form is Form.TEXT:
        assert (item.shape, item.dtype.kind) == ((1,), "S"), path
    elif held.dtype is not None:
        assert item.dtype == held.dtype, path
    assert (item.dtype.names is not None) == (held.form is Form.TABLE), path


def test_root_and_texts_say_what_the_header_says(routed: tuple[Path, RunHeader]) -> None:
    """The route, the origin and the library's version among them."""
    run, head = routed
    with h5py.File(run, "r") as file:
        assert file.attrs["format"] == layout.FORMAT.encode()
        assert file.attrs["layout_version"] == layout.LAYOUT_VERSION
        assert file.attrs["run_id"] == head.run_id
        assert file.attrs["started_utc_ns"] == head.started_utc_ns
        assert file.attrs["software"] == head.software
        assert file.attrs["origin"] == "replayed"
        assert file.attrs["hdf5"] == h5py.version.hdf5_version
        for name in ("car_sheet", "trip_sheet", "route"):
            assert file[f"header/{name}"][0].decode() == getattr(head, name)
        bare = RunHeader.from_json(file["header/run"][0].decode())
    assert bare.car_sheet == bare.trip_sheet == bare.route == ""
    assert bare.certificates == {}
    assert bare.devices == head.devices


def test_devices_have_the_columns_of_their_header(routed: tuple[Path, RunHeader]) -> None:
    run, head = routed
    with h5py.File(run, "r") as file:
        assert set(file["devices"]) == {device.name for device in head.devices}
        for device in head.devices:
            assert set(file[f"devices/{device.name}"]) == columns(device)
            times = file[f"devices/{device.name}/time_s"]
            assert all(
                column.dims[0][0] == times
                for name, column in file[f"devices/{device.name}"].items()
                if name != "time_s"
            )


def columns(device: DeviceHeader) -> set[str]:
    fields = {f"raw_{name}" for name, _ in device.dtype if name != "tick"}
    values = {channel.name for channel in device.channels}
    return {"time_s", "tick", *fields, *values, *(f"{name}_flags" for name in values)}


def test_what_is_not_described_cannot_be_looked_up() -> None:
    with pytest.raises(KeyError):
        part("devices/DEVICE/more")


def test_a_fill_value_cannot_be_data(routed: tuple[Path, RunHeader]) -> None:
    run, _ = routed
    with h5py.File(run, "r") as file:
        for name, column in file["devices/wheel"].items():
            match column.dtype.kind:
                case "f":
                    assert np.isnan(column.fillvalue), name
                case "i":
                    assert column.fillvalue == np.iinfo(column.dtype).min, name
                case _:
                    assert column.fillvalue == np.iinfo(column.dtype).max, name
