"""What of a run was not sound, why its balance is open, how long its lists are."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from recorder.analysis.campaign.answer import AnswerSettings, answer_files
from recorder.analysis.campaign.run_answer import RunAnswer
from recorder.analysis.uncertainty.measured import Measured
from recorder.report.closing.appendices import appendices_section
from recorder.report.closing.deviations_section import deviations_section
from recorder.report.closing.marked_deviations import marked_deviations
from recorder.report.data.results_json import results_json
from recorder.report.pages.document import Text, TextTable
from recorder.report.pages.shown_units import CUSTOMARY, METRIC
from recorder.report.results.energy_section import energy_of
from recorder.report.section_parts.naming import Naming, naming_of
from recorder.run_file.companion.companion import companion_path
from recorder.run_file.companion.entries import Binding
from recorder.run_file.companion.salvage import mend
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.made_runs import mark
from tests.recorder.run.checks.health_cases import Train


def test_stretches_that_were_not_sound(tmp_path: Path) -> None:
    train = Train(seconds=300.0, stands_s=(-90.0, -80.0))
    t, counts = train.column("cell", "ch0")
    counts[(t >= 40.0) & (t < 44.0)] = 777
    path = tmp_path / "monday.h5"
    train.keep(path)
    answer = answer_files([path], AnswerSettings())
    (run,) = answer.runs
    naming = naming_of(answer, METRIC)
    tables = [b for b in deviations_section(answer, naming, []) if isinstance(b, TextTable)]
    (found,) = [table for table in tables if "was not sound" in table.caption]
    assert found.rows[0][:5] == ("pull", "40.0", "44.0", "stuck", "800")
    (place,) = found.places
    assert place is not None
    assert place.run_id == run.loaded.run_id
    assert place.t_s == pytest.approx(40.0, abs=0.1)
    (held,) = results_json(answer, software="test")["runs"]
    assert held["channel_health"][0]["fault"] == "stuck"


def test_notes_that_were_mended_are_a_deviation(tmp_path: Path) -> None:
    path = tmp_path / "monday.h5"
    Train(seconds=300.0).keep(path)
    with open_run(path) as run:
        for name in ("one", "two"):
            run.companion.set_result(name, "sound", by="A. Crew", version="1")
        binding = Binding(run.header.run_id, str(run.digest))
    notes = companion_path(path)
    notes.write_bytes(notes.read_bytes().replace(b'"sound"', b'"souND"', 1))
    mend(notes, binding, by="A. Crew", version="1")
    answer = answer_files([path], AnswerSettings())
    texts = [
        block.text
        for block in deviations_section(answer, naming_of(answer, METRIC), [])
        if isinstance(block, Text) and "The notes of" in block.text
    ]
    (text,) = texts
    assert "by A. Crew: 1 entry taken over; wrong with the notes before: entry" in text


def told(run: RunAnswer) -> str:
    naming = Naming({run.loaded.name: "A"}, METRIC)
    return " ".join(b.text for b in energy_of(run, naming) if isinstance(b, Text))


def test_the_balance_says_over_what_it_closes_or_why_not(tmp_path: Path) -> None:
    path = tmp_path / "monday.h5"
    Train(seconds=300.0).keep(path)
    answer = answer_files([path], AnswerSettings())
    (run,) = answer.runs
    assert "cannot be closed: the trailing mass is not known." in told(run)
    (held,) = results_json(answer, software="test")["runs"]
    assert held["energy_balance_why_open"] == "the trailing mass is not known"
    closed = replace(
        run.energy_balance, unaccounted=Measured(0.0, "kJ"), balanced_seconds=123.0, why_open=""
    )
    assert "lies within its uncertainty. It was worked over 123 s." in told(
        replace(run, energy_balance=closed)
    )


@pytest.mark.slow
@pytest.mark.parametrize("keyed", [500, 20_000])
def test_a_list_of_marks_has_an_end_on_paper_and_says_where_all_are(
    tmp_path: Path, keyed: int
) -> None:
    path = tmp_path / "monday.h5"
    Train(seconds=300.0).keep(path)
    (run,) = answer_files([path], AnswerSettings()).runs
    marks = tuple(mark(0.01 * i, kind="note", value=f"{i}") for i in range(keyed))
    long = replace(run.loaded, marks=marks)
    (found,) = [
        b
        for b in appendices_section([long], Naming({long.name: "A"}, METRIC), [])
        if isinstance(b, TextTable) and b.caption.startswith("Marks of run")
    ]
    assert [row[2] for row in found.rows] == [f"{i}" for i in range(500)]
    said = "The first 500 of 20,000; the table tables/marks has them all." in found.caption
    assert said is (keyed > 500)


def test_marks_put_right_slips_and_weather_are_deviations(tmp_path: Path) -> None:
    """The mark as it stands, in the edition shown; the first weather is none."""
    marks = [
        mark(20.0, kind="weather", value="dry"),
        mark(50.0, value="42", revision=1, note="keyed one too high"),
        mark(60.0, value="43"),
        mark(70.0, kind="slip", value="at the bridge"),
        mark(90.0, kind="weather", value="rain, rail wet; wind 6 m/s from 220"),
    ]
    path = tmp_path / "monday.h5"
    Train(seconds=300.0).keep(path)
    (run,) = answer_files([path], AnswerSettings()).runs
    found = marked_deviations(replace(run.loaded, marks=tuple(marks)), CUSTOMARY)
    assert [row[:2] for _, row in found] == [
        ("50", "mark put right"), ("70", "wheel slip"), ("90", "weather changed"),
    ]  # fmt: skip
    assert "42; keyed one too high" in found[0][1][2]
    assert "m/s" not in found[2][1][2]
    assert [t_s for t_s, _ in found] == [50.0, 70.0, 90.0]
