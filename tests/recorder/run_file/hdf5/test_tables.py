"""Rows of marks, gaps and events that cannot be, refused as they are read by file, part and row."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import h5py
import pytest

from recorder.run.parts.errors import UnreadableError
from recorder.run_file.hdf5.reader import RunFile, open_run
from tests.recorder.made_runs import made_run
from tests.recorder.run_file.proof.honest_run import harmed, retext, sealed_as


@pytest.fixture
def sealed(tmp_path: Path) -> Path:
    return sealed_as(made_run(3.0), tmp_path / "run.h5")


def read_all(run: RunFile) -> list[object]:
    return [run.marks(), run.gaps(), run.events()]


ROWS: dict[str, dict[str, Any]] = {
    "marks": {"mark_id": "x", "kind": "brake", "t_s": 1.0},
    "gaps": {"device": "cell", "t_start_s": 1.0, "t_end_s": 2.0, "cause": "checksum"},
    "events": {"kind": "health", "t_s": 1.0, "data": {}},
}


@pytest.mark.parametrize(
    ("part", "wrong", "said"),
    [
        ("gaps", {"t_start_s": float("nan")}, "t_start_s of a gap is nan"),
        ("gaps", {"lost_records": -5}, "lost_records of a gap is -5"),
        ("marks", {"entered_utc_ns": 2**80}, "entered_utc_ns of a mark is 12089"),
        ("marks", {"t_s": float("nan")}, "t_s of a mark is nan"),
        ("events", {"t_s": float("nan")}, "t_s of an event is nan"),
        ("events", {"t_s": "x"}, "could not convert"),
    ],
)
def test_it_is_named_by_file_part_and_row(
    sealed: Path, part: str, wrong: dict[str, Any], said: str
) -> None:
    row = ROWS[part]

    def harm(file: h5py.File) -> None:
        retext(file, f"{part}/json", json.dumps([row, {**row, **wrong}]))

    with open_run(harmed(sealed, harm)) as run, pytest.raises(UnreadableError) as told:
        read_all(run)
    assert str(told.value).startswith(
        f"{sealed}: damaged run file (row 2 of {part}/json does not read: {said}"
    )
