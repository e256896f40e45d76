"""Runs made from arrays: imported, read off paper, or built for a check."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from recorder.run.parts.errors import RunFileError
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Cause, Gap
from recorder.run.parts.header import ChannelHeader, DeviceHeader
from recorder.run_file.hdf5.create import create_file
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.hdf5.store import Hdf5Calls
from recorder.run_file.seal.verify import verify_run
from recorder.run_file.seal.write_whole import DeviceData, write_run
from tests.recorder.made_runs import cell_blocks, header, load_cell, mark


def paper(name: str = "paper", channel: str = "pull", **stated: Any) -> DeviceHeader:
    """A device that has values only."""
    return DeviceHeader(
        name=name,
        driver="table",
        port="",
        dtype=[["tick", "<u8"]],
        tick_hz=1e9,
        channels=(
            ChannelHeader(name=channel, quantity=channel, unit="kN", field="", **stated),
        ),
    )


def test_values_without_counts_at_uneven_times(tmp_path: Path) -> None:
    path = tmp_path / "run.h5"
    time_s = np.array([0.0, 0.5, 7.25, 7.25, 100.0])
    values = np.array([1.0, np.nan, -3.5, 4.0, 1e-9])
    gap = Gap(
        device="paper", t_start_s=0.5, t_end_s=7.25, cause=Cause.OTHER, detail="roll torn",
        before_record=2,
    )  # fmt: skip
    write_run(
        path,
        header(
            paper(standard_uncertainty=0.5, relative_uncertainty=0.01),
            certificates={},
            origin="imported",
        ),
        {"paper": DeviceData(time_s=time_s, values={"pull": values})},
        marks=[mark(7.0)],
        events=[gap, Event(kind="import", t_s=0.0, data={"source": "roll 12"})],
    )
    assert verify_run(path) == []
    assert [p.name for p in tmp_path.iterdir()] == ["run.h5"]
    with open_run(path) as run:
        pull = run.channels["pull"]
        assert run.complete
        assert run.header.origin == "imported"
        assert pull.time_s().tolist() == time_s.tolist()
        assert np.array_equal(pull.values(), values, equal_nan=True)
        assert (pull.standard_uncertainty, pull.relative_uncertainty) == (0.5, 0.01)
        assert not pull.has_counts
        with pytest.raises(RunFileError, match="without counts"):
            pull.counts()
        assert run.gaps() == [gap]
        assert len(run.marks()) == 1
        assert run.events("import")[0].data == {"source": "roll 12"}
        assert run.tick_ties()["paper"][0].source == "given"
        assert run.utc.source == "computer's clock"
        assert np.isnan(run.utc.u_s(3.0))
        seen = run.overview("pull", 0.0, 100.0, 4)
        # A time on the very edge belongs to the bin that begins there.
        assert seen.count.tolist() == [3, 0, 0, 0]


def test_records_are_calibrated_as_in_any_run(tmp_path: Path) -> None:
    records = np.concatenate([b.records for b in cell_blocks(1.0)])
    time_s = np.arange(len(records)) / 2000.0
    write_run(
        tmp_path / "run.h5",
        header(load_cell()),
        {"cell": DeviceData(time_s=time_s, records=records)},
    )
    with open_run(tmp_path / "run.h5") as run:
        assert run.channels["pull"].values() == pytest.approx(records["ch0"] * 1e-4, rel=1e-6)
        assert run.devices["cell"].time_s().tolist() == time_s.tolist()


def test_a_run_is_never_overwritten(tmp_path: Path) -> None:
    (tmp_path / "run.h5").write_bytes(b"mine")
    with pytest.raises(FileExistsError, match="never overwritten"):
        write_run(tmp_path / "run.h5", header(paper()), {})
    assert (tmp_path / "run.h5").read_bytes() == b"mine"


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="no such folder; make it first"):
        write_run(tmp_path / "none" / "run.h5", header(paper()), {})
    with pytest.raises(FileNotFoundError, match="cannot be made: No such file"):
        create_file(tmp_path / "none" / "run.h5", header(paper()))


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EACCES])
def test_a_full_disk_is_no_damage(code: int) -> None:
    def write() -> None:
        raise OSError(code, "Unable to synchronously write (errno, buffers and offsets)")

    calls = Hdf5Calls(Path("run.h5"))
    with pytest.raises(OSError, match=os.strerror(code)) as caught, calls:
        write()
    assert not isinstance(caught.value, RunFileError)
    assert caught.value.filename == "run.h5"
    with pytest.raises(RunFileError, match="damaged run file"), calls:
        raise OSError(errno.EIO, "Unable to synchronously read")


GOOD = {"time_s": np.array([0.0, 1.0]), "values": {"pull": np.array([1.0, 2.0])}}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"time_s": np.array([1.0, 0.0])}, "never falls"),
        ({"time_s": np.array([0.0, np.nan])}, "never falls"),
        ({"time_s": np.zeros((2, 2))}, "one finite column"),
        ({"values": {"pull": np.array([1.0])}}, "pull has 1 rows, time_s 2"),
        ({"values": {"push": np.array([1.0, 2.0])}}, "values given for push"),
        ({"records": np.zeros(2, [("tick", "<u4")])}, "are not its header's"),
    ],
)
def test_arrays_that_do_not_fit(tmp_path: Path, change: dict[str, Any], words: str) -> None:
    data = DeviceData(**{**GOOD, **change})
    with pytest.raises(RunFileError, match=words):
        write_run(tmp_path / "run.h5", header(paper(), certificates={}), {"paper": data})
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("devices", "words"),
    [
        ((paper(), paper()), "device paper is there twice"),
        ((paper("a"), paper("b")), "channel pull is there twice"),
        ((paper("no/slash"),), "the name must be a letter"),
        ((paper(channel="tick"),), "the name tick is taken"),
        ((replace(load_cell(), dtype=[["ch0", "<i4"]]),), "first field must be tick"),
        ((replace(load_cell(), dtype=[["tick", "<u8"]]),), "has no field 'ch0'"),
        ((replace(load_cell(), dtype=[["tick", "what"]]),), "cannot be laid out"),
    ],
)
def test_headers_that_cannot_be_laid_out(
    tmp_path: Path, devices: tuple[DeviceHeader, ...], words: str
) -> None:
    data = {
        d.name: DeviceData(time_s=np.empty(0), values={c.name: np.empty(0) for c in d.channels})
        for d in devices
    }
    with pytest.raises(RunFileError, match=words):
        write_run(tmp_path / "run.h5", header(*devices), data)
    assert list(tmp_path.iterdir()) == []


FULL = """
import resource, sys
from pathlib import Path
import numpy as np
from recorder.run_file.seal.write_whole import DeviceData, write_run
from tests.recorder.made_runs import cell_blocks, header, joined, load_cell
place = Path(sys.argv[1])
records = joined([block.records for block in cell_blocks(2.0)])
data = {"cell": DeviceData(time_s=np.arange(len(records)) / 2000.0, records=records)}
def tried(most):
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, resource.RLIM_INFINITY))
    try:
        write_run(place, header(load_cell()), data)
    except OSError as error:
        print(error.filename, error.strerror)
        assert not list(place.parent.iterdir())
tried(resource.RLIM_INFINITY)
whole = place.stat().st_size
place.unlink()
for part in (0.001, 0.01, 0.1, 0.5, 0.9, 0.99, 0.999):
    tried(int(part * whole))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of POSIX")
def test_a_disk_that_takes_no_more_is_told_once_wherever_it_ends(tmp_path: Path) -> None:
    """Also where HDF5 holds back what it could not write until the very end."""
    place = tmp_path / "run.h5"
    child = subprocess.run(
        [sys.executable, "-c", FULL, str(place)],
        check=False, cwd=Path(__file__).parents[4], capture_output=True, text=True,
    )  # fmt: skip
    assert child.returncode == 0, child.stderr
    assert child.stderr == ""
    assert child.stdout.splitlines() == [f"{place} cannot be written: File too large"] * 7
