"""Marks from a table: the same grammar as the keys, and our own export comes back."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from recorder.exchange.export import export_run
from recorder.exchange.marks_table import read_marks_table
from recorder.exchange.table_text import TableError
from recorder.marks.handling import BrakeMark
from recorder.marks.kinds import Kind
from recorder.run_file.hdf5.reader import open_run

OLD_FILE = Path(__file__).parents[1] / "run_file" / "hdf5" / "data" / "layout_1.h5.gz"


def table(folder: Path, rows: str) -> Path:
    path = folder / "marks.csv"
    path.write_text(f"time_s,kind,value,note,by\n{rows}", encoding="utf-8")
    return path


def test_values_are_kept_as_keys_would_keep_them(tmp_path: Path) -> None:
    rows = '1,brake,0,,\n2,regulator,notch 5,"up, then",A. Crew\n3,weather,"wind 0; dry",,\n'
    marks = read_marks_table(table(tmp_path, rows))
    assert [(m.kind, m.value) for m in marks] == [
        (Kind.BRAKE, "release"),
        (Kind.THROTTLE, "5"),
        (Kind.WEATHER, "wind calm; dry"),
    ]
    assert (marks[1].note, marks[1].by) == ("up, then", "A. Crew")
    assert isinstance(marks[0].meaning, BrakeMark)
    assert marks[0].meaning.released


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("1,brake,maybe,,", "row 2: brake: got 'maybe'; allowed: one of on"),
        ("1,brak,0,,", "row 2: unknown kind of mark 'brak'; did you mean 'brake'"),
        ("1,,0,,", "row 2: unknown kind of mark ''"),
        (",brake,0,,", "row 2: time_s is empty"),
    ],
)
def test_a_row_that_cannot_be_a_mark_is_named(tmp_path: Path, row: str, why: str) -> None:
    with pytest.raises(TableError, match=r"marks\.csv row 2") as caught:
        read_marks_table(table(tmp_path, row + "\n"))
    assert why in str(caught.value)


def test_the_export_of_an_old_run_comes_back_with_the_same_meaning(tmp_path: Path) -> None:
    """Also what earlier versions kept otherwise, such as a brake of 0 kPa."""
    path = tmp_path / "run.h5"
    path.write_bytes(gzip.decompress(OLD_FILE.read_bytes()))
    with open_run(path) as run:
        held = run.marks()
        export_run(run, tmp_path / "csv")
    back = read_marks_table(tmp_path / "csv" / "marks.csv")
    assert [(m.kind, m.t_s, m.meaning) for m in back] == [
        (m.kind, m.t_s, m.meaning) for m in held
    ]
