"""What marks mean to a run that is read: grades held from mark to mark, and what does not read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recorder.analysis.campaign.loaded_run import LoadedRun
from recorder.analysis.campaign.loading import load_run
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.made_runs import mark


def loaded_with(run_path: Path, *marks: tuple[float, str, str]) -> LoadedRun:
    with open_run(run_path) as run:
        for t_s, kind, value in marks:
            run.companion.add_revision(mark(t_s, kind=kind, value=value))
        return load_run(run)


def test_a_marked_grade_holds_to_the_next_mark_of_it(copied: Path) -> None:
    loaded = loaded_with(copied, (3.0, "grade", "0.8 %"), (6.0, "grade", "level"))
    t_s, grade = loaded.series.t_s, loaded.series.locomotive_grade
    assert loaded.series.grade_source == "marks"
    assert np.isnan(grade[t_s < 3.0]).all()
    assert grade[(t_s >= 3.0) & (t_s < 6.0)] == pytest.approx(0.008)
    assert (grade[t_s >= 6.0] == 0.0).all()


@pytest.mark.parametrize("value", ["", "steep"])
def test_from_a_grade_mark_without_a_value_the_grade_is_not_known(
    copied: Path, value: str
) -> None:
    """It changed there: the value before it no longer holds."""
    loaded = loaded_with(copied, (3.0, "grade", "0.8"), (6.0, "grade", value))
    assert np.isnan(loaded.series.locomotive_grade[loaded.series.t_s >= 6.0]).all()


def test_grade_marks_without_any_value_give_no_grade(copied: Path) -> None:
    assert loaded_with(copied, (3.0, "grade", "")).series.grade_source == "unknown"


def test_a_value_that_does_not_read_is_among_the_notes(copied: Path) -> None:
    loaded = loaded_with(copied, (3.0, "brake", "a little"))
    (note,) = [n for n in loaded.notes if "does not read" in n]
    assert note.startswith("mark at 3.0 s does not read and is kept as text: brake")


def test_of_many_that_do_not_read_the_notes_say_how_many_more(copied: Path) -> None:
    marks = [(0.1 * i, "brake", "a little") for i in range(27)]
    loaded = loaded_with(copied, *marks)
    told = [n for n in loaded.notes if "not read" in n]
    assert len(told) == 21
    assert told[-1] == "7 more marks do not read; testcar marks tells of each"
