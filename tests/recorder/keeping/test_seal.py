"""The seal: the file agrees with the journal row by row, or the journal stays."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest

from recorder.command_line.main import main
from recorder.keeping.errors import JournalError, SealBugError, SealError
from recorder.keeping.filer import follow
from recorder.keeping.journal import Journal
from recorder.keeping.owner import journal_path_for
from recorder.keeping.seal import recover, seal
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run
from tests.recorder.made_runs import MadeRun, Stopped, cell_blocks, header, load_cell, made_run


def test_a_sealed_run_is_sound_and_its_journal_gone(tmp_path: Path) -> None:
    made = made_run()
    run = tmp_path / "run.h5"
    journal = made.filed(run)
    told: list[float] = []
    seal(journal, run, progress=lambda part, _what: told.append(part))
    assert [p.name for p in tmp_path.iterdir()] == ["run.h5"]
    assert told[0] == 0.0
    assert told[-1] == 1.0
    assert verify_run(run) == []
    with open_run(run) as opened:
        assert opened.complete
        assert opened.revisions() == made.marks
        for device in ("cell", "wheel", "gnss"):
            found = opened.devices[device].records()
            assert found.tobytes() == made.records(device).tobytes()


def _raw(file: h5py.File) -> None:
    file["devices/cell/raw_ch0"][777] += 1


def _tick(file: h5py.File) -> None:
    file["devices/wheel/tick"][5] += 1


def _short(file: h5py.File) -> None:
    for column in file["devices/cell"].values():
        column.resize((column.shape[0] - 50,))


def _receipt(file: h5py.File) -> None:
    rows = file["blocks/cell"][:]
    rows["received_s"][3] += 1e-6
    file["blocks/cell"][:] = rows


@pytest.mark.parametrize("harm", [_raw, _tick, _short, _receipt])
def test_any_difference_keeps_the_journal(
    tmp_path: Path, harm: Callable[[h5py.File], None]
) -> None:
    run = tmp_path / "run.h5"
    journal = made_run(6.0).filed(run)
    with h5py.File(run, "r+") as file:
        harm(file)
    with pytest.raises(SealError, match=r"journal"):
        seal(journal, run)
    assert journal.exists()
    assert verify_run(run) != []
    # And the journal still makes the run, as it was.
    recover(journal, tmp_path / "again.h5")
    assert verify_run(tmp_path / "again.h5") == []


def test_recovery_gives_what_the_seal_gives(tmp_path: Path) -> None:
    made = made_run()
    run = tmp_path / "run.h5"
    journal = made.filed(run)
    assert recover(journal, tmp_path / "again.h5") == []
    seal(journal, run)
    with h5py.File(run, "r") as one, h5py.File(tmp_path / "again.h5", "r") as other:
        names: list[str] = []
        one.visititems(
            lambda name, item: names.append(name) if isinstance(item, h5py.Dataset) else None
        )
        assert len(names) > 30
        for name in names:
            if name != "digests/json":
                assert one[name][:].tobytes() == other[name][:].tobytes(), name


def test_recovery_keeps_what_is_there(tmp_path: Path) -> None:
    made = made_run(6.0)
    run = tmp_path / "run.h5"
    journal = made.filed(run)
    unfinished = run.read_bytes()
    stranger = tmp_path / "stranger.h5"
    stranger.write_bytes(b"another thing")
    with pytest.raises(FileExistsError, match="never overwritten"):
        recover(journal, stranger)
    assert stranger.read_bytes() == b"another thing"
    # The unfinished file of the very same run stands aside and is kept.
    recover(journal, run)
    assert verify_run(run) == []
    assert (tmp_path / "run.h5.unfinished-1").read_bytes() == unfinished
    assert journal.exists()
    # Now there is a sealed run: that one is never touched.
    with pytest.raises(FileExistsError, match="is recovered already"):
        recover(journal, run)
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "run.h5",
        "run.h5.journal",
        "run.h5.unfinished-1",
        "stranger.h5",
    ]


def test_a_living_recording_is_left_alone(tmp_path: Path) -> None:
    head = header(load_cell())
    run = tmp_path / "run.h5"
    with Journal.create(journal_path_for(run), head) as journal:
        journal.append(cell_blocks(1.0))
        with pytest.raises(JournalError, match="stop the recording first"):
            recover(journal.path, tmp_path / "again.h5")
    recover(journal.path, tmp_path / "again.h5")


def test_an_empty_run_can_be_sealed(tmp_path: Path) -> None:
    made = MadeRun(header=header(), blocks=[])
    run = tmp_path / "run.h5"
    with Journal.create(journal_path_for(run), made.header) as journal:
        journal.append([], [])
    follow(journal.path, run, Stopped())
    seal(journal.path, run)
    assert verify_run(run) == []
    with open_run(run) as opened:
        assert opened.duration_s == 0.0
        assert opened.channels["pull"].n == 0
        assert np.isnan(opened.overview("pull", 0.0, 1.0, 4).mean).all()


STEPS = [
    ("final_times", "tie_ticks", TypeError),
    ("final_times", "scale_of", KeyError),
    ("seal_file", "revalue_device", ValueError),
    ("final_overviews", "base_width", AttributeError),
    ("seal_file", "gaps_of", RuntimeError),
]


@pytest.mark.parametrize(("module", "step", "kind"), STEPS)
def test_a_bug_in_a_step_of_the_seal_is_no_damage(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    module: str,
    step: str,
    kind: type[Exception],
) -> None:
    """Our own mistake must never send the crew looking for a broken disk."""
    run = tmp_path / "run.h5"
    journal = made_run(2.0).filed(run)
    monkeypatch.setattr(f"recorder.run_file.seal.{module}.{step}", mistaken(kind))
    with pytest.raises(SealBugError) as raised:
        seal(journal, run)
    told = str(raised.value)
    assert told.startswith(f"{kind.__name__}: ")
    assert "unheard of" in told
    assert f"the journal {journal} is kept" in told
    assert "damaged" not in told
    assert type(raised.value.__cause__) is kind
    monkeypatch.undo()
    recover(journal, tmp_path / "again.h5")
    assert verify_run(tmp_path / "again.h5") == []


def mistaken(kind: type[Exception]) -> Callable[..., None]:
    """A step of ours that makes a mistake."""

    def step(*_: object, **__: object) -> None:
        msg = "unheard of"
        raise kind(msg)

    return step


def test_recover_tells_a_bug_as_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """``ValueError`` too, which elsewhere is what a person did wrong."""
    made_run(2.0).journal(tmp_path / "run.h5.journal")
    monkeypatch.setattr("recorder.run_file.seal.final_times.tie_ticks", mistaken(ValueError))
    words = ["recover", str(tmp_path / "run.h5.journal"), "--out", str(tmp_path / "run.h5")]
    assert main(words) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("testcar recover: internal error: ")
    assert "--debug" in line
    assert "damaged" not in line
    assert main(["--debug", *words]) == 2
    assert "Traceback" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["run.h5.journal"]


CRASH = """
import os, sys
from pathlib import Path
from recorder.keeping import seal as room
journal, run, at = Path(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3])

def progress(part, what):
    if part >= at:
        os._exit(9)

room.seal(journal, run, progress=progress)
"""


@pytest.mark.parametrize("at", [0.1, 0.5, 0.79, 0.85])
def test_a_crash_during_the_seal_loses_nothing(tmp_path: Path, at: float) -> None:
    made = made_run(6.0)
    run = tmp_path / "run.h5"
    journal = made.filed(run)
    code = subprocess.run(
        [sys.executable, "-c", CRASH, str(journal), str(run), str(at)],
        check=False,
        cwd=Path(__file__).parents[3],
        env={**os.environ},
    ).returncode
    assert code == 9
    assert journal.exists()
    assert verify_run(run) != []
    recover(journal, tmp_path / "again.h5")
    assert verify_run(tmp_path / "again.h5") == []
