"""No table that we write runs anything in a spreadsheet, and our own importer reads it back."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pyarrow as pa
import pytest

from recorder.exchange.export import export_run
from recorder.exchange.marks_table import read_marks_table
from recorder.report.data.table_files import keep_csv
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.made_runs import cell_blocks, header, load_cell, made_run, mark
from tests.recorder.run_file.proof.honest_run import sealed_as

FORMULAS = (
    '=HYPERLINK("http://example.invalid","see")',
    "+1+1",
    "-2+3",
    "@SUM(1)",
    "'=1+1",
    "'quoted'",
    "plain",
)


@pytest.fixture(scope="module")
def tables(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("formulas")
    marks = [mark(1.0 + i, kind="remark", value="", note=f) for i, f in enumerate(FORMULAS)]
    blocks = cell_blocks(10.0)
    run = replace(
        made_run(1.0), header=header(load_cell()), blocks=blocks, marks=marks, events=[]
    )
    with open_run(sealed_as(run, folder / "run.h5")) as opened:
        export_run(opened, folder / "tables")
    return folder / "tables"


def test_no_cell_of_an_export_is_a_formula(tables: Path) -> None:
    with (tables / "marks.csv").open(newline="", encoding="utf-8") as file:
        notes = [row["note"] for row in csv.DictReader(file)]
    assert len(notes) == len(FORMULAS)
    assert not any(note.startswith(("=", "+", "-", "@")) for note in notes)
    assert notes[-2:] == ["'quoted'", "plain"]


def test_our_own_import_takes_the_notes_as_they_were(tables: Path) -> None:
    assert [m.note for m in read_marks_table(tables / "marks.csv")] == list(FORMULAS)


def test_nor_is_one_of_a_reports_tables(tmp_path: Path) -> None:
    told = pa.table({"run": ["=1+1", None, "day"], "=pull_kN": [-1.5, 2.0, None]})
    keep_csv(told, tmp_path / "t.csv")
    with (tmp_path / "t.csv").open(newline="", encoding="utf-8") as file:
        head, *rows = csv.reader(file)
    assert head == ["run", "'=pull_kN"]
    assert [row[0] for row in rows] == ["'=1+1", "", "day"]
    assert [row[1] for row in rows] == ["-1.5", "2", ""]
