"""Runs told apart by name, edits read from a crew's table."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.analysis.campaign.crew_edits import read_edits
from recorder.analysis.campaign.loading import distinct_names
from recorder.analysis.stretches.stretch_edits import EditAction

STEMS = st.sampled_from(["run", "monday", "a/run", "b/run", "b/monday", "c/d/run"])


@given(st.lists(STEMS, min_size=1, max_size=8))
def test_names_are_distinct_whatever_the_files_are_called(stems: list[str]) -> None:
    names = distinct_names([Path(f"{stem}.h5") for stem in stems])
    assert len(set(names)) == len(names)
    assert len(names) == len(stems)


def test_a_name_of_its_own_is_the_files() -> None:
    names = distinct_names([Path("x/monday.h5"), Path("y/run.h5"), Path("z/run.h5")])
    assert names == ["monday", "y-run", "z-run"]


def table(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "edits.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_edits_as_a_crew_writes_them(tmp_path: Path) -> None:
    text = (
        "action,start_s,end_s,reason\nstrike,10,20,slipped\nadd,30,60.5,steady by the gauge\n"
    )
    strike, add = read_edits(table(tmp_path, text))
    assert (strike.action, strike.t_start_s, strike.t_end_s) == (EditAction.STRIKE, 10.0, 20.0)
    assert (add.action, add.t_end_s, add.reason) == (
        EditAction.ADD,
        60.5,
        "steady by the gauge",
    )


@pytest.mark.parametrize(
    "row",
    [
        "remove,10,20,why",
        "strike,20,10,why",
        "strike,ten,20,why",
        "strike,10,nan,why",
        "strike,10,20,",
        "strike,10",
    ],
)
def test_an_edit_that_cannot_be_is_refused_in_one_line_with_its_row(
    tmp_path: Path, row: str
) -> None:
    path = table(tmp_path, f"action,start_s,end_s,reason\n{row}\n")
    with pytest.raises(ValueError, match=r"edits\.csv") as refused:
        read_edits(path)
    assert "\n" not in str(refused.value)


@given(data=st.binary(max_size=300))
def test_any_bytes_are_edits_or_one_line(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    path = tmp_path_factory.mktemp("edits") / "edits.csv"
    path.write_bytes(data)
    refusal = ""
    try:
        read_edits(path)
    except ValueError as error:
        refusal = str(error)
    assert "\n" not in refusal
