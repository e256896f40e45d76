"""One run in the report: what of it was not sound stands there with its extent."""

from __future__ import annotations

from pathlib import Path

from recorder.analysis.campaign.answer import AnswerSettings, answer_files
from recorder.report.data.results_json import results_json
from recorder.report.pages.document import TextTable
from recorder.report.pages.shown_units import METRIC
from recorder.report.trial.run_section import run_section
from tests.recorder.run.checks.health_cases import Train


def test_stretches_that_were_not_sound(tmp_path: Path) -> None:
    train = Train(seconds=300.0, stands_s=(-90.0, -80.0))
    t, counts = train.column("cell", "ch0")
    counts[(t >= 40.0) & (t < 44.0)] = 777
    path = tmp_path / "monday.h5"
    train.keep(path)
    answer = answer_files([path], AnswerSettings())
    (run,) = answer.runs
    tables = [b for b in run_section(run, METRIC) if isinstance(b, TextTable)]
    (found,) = [table for table in tables if "was not sound" in table.caption]
    assert found.rows[0][:5] == ("pull", "40.0", "44.0", "stuck", "800")
    (held,) = results_json(answer, software="test")["runs"]
    assert held["channel_health"][0]["fault"] == "stuck"
