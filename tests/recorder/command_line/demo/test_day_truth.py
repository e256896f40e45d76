"""The report of the trial day beside its truth: what holds is counted, what misses is told."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import pytest

from recorder.analysis.campaign.answer import AnswerSettings, CampaignAnswer, answer_files
from recorder.analysis.specification.verdicts import Verdict
from recorder.command_line.demo.day_truth import DayTold, write_day_truth
from recorder.command_line.demo.stated import FigureKind, Stated
from simulated_feeds.outing.trial_day import TrialDay, trial_day
from tests.recorder.command_line.demo.day_run_file import write_day

UTC0 = 1_795_000_000 * 10**9


def stated(value: float, expanded: float, truth: float) -> Stated:
    return Stated(
        kind=FigureKind.BAND_PULL,
        name="pull",
        unit="kN",
        value=value,
        expanded=expanded,
        truth=truth,
    )  # fmt: skip


def test_an_interval_holds_what_lies_inside_it() -> None:
    assert stated(100.0, 2.0, 101.9).holds
    assert stated(100.0, 2.0, 98.0).holds
    assert not stated(100.0, 2.0, 102.1).holds
    assert not stated(100.0, 2.0, 97.9).holds


def test_what_misses_is_counted() -> None:
    told = DayTold(figures=(stated(1.0, 0.1, 1.05), stated(1.0, 0.1, 2.0)), lines=())
    assert (told.stated, told.held) == (2, 1)


class Answered:
    """A whole day, from its devices' records to the answer."""

    def __init__(self, seed: int, folder: Path) -> None:
        self.day: TrialDay = trial_day(seed, utc0_ns=UTC0)
        write_day(self.day, folder / "run.h5")
        self.answer: CampaignAnswer = answer_files([folder / "run.h5"], AnswerSettings())


@pytest.fixture(scope="module")
def answered(tmp_path_factory: pytest.TempPathFactory) -> Answered:
    return Answered(1, tmp_path_factory.mktemp("day"))


@pytest.mark.slow
def test_the_day_meets_in_four_bands_and_says_so(answered: Answered) -> None:
    met = [b for b in answered.answer.bands if b.verdict is Verdict.MEETS]
    assert len(met) >= 4
    assert answered.answer.overall.verdict is Verdict.MEETS
    assert not [d for run in answered.answer.runs for d in run.doubts]
    wet = [
        r for run in answered.answer.runs for r in run.results
        if r.stretch.t_start_s > answered.day.scenario.journey.wet_from_s + 1.0
    ]  # fmt: skip
    assert wet
    assert not any(r.judged for r in wet)


@pytest.mark.slow
def test_most_stated_intervals_hold_the_truth(answered: Answered, tmp_path: Path) -> None:
    told = write_day_truth(answered.day, answered.answer, tmp_path)
    assert told.stated > 100
    assert told.held >= 0.85 * told.stated
    assert (
        f"{told.held} of {told.stated} stated intervals hold the known truth" in told.lines[-1]
    )
    with (tmp_path / "truth.csv").open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == told.stated
    assert sum(row["holds"] == "True" for row in rows) == told.held
    assert json.loads((tmp_path / "truth.json").read_text())["held"] == told.held
    assert (tmp_path / "truth.pdf").read_bytes().startswith(b"%PDF")
    assert "The truth beside the report" in (tmp_path / "truth.html").read_text("utf-8")
    for band in answered.answer.bands:
        if band.margin is not None:
            assert any(line.strip().startswith(band.name) for line in told.lines)


@pytest.mark.slow
def test_a_report_that_states_too_much_is_found_out(answered: Answered, tmp_path: Path) -> None:
    """Were every band's margin stated 4 kN too high, each would miss, and be named."""
    bands = tuple(
        b if b.margin is None else replace(b, margin=b.margin.shifted(4.0))
        for b in answered.answer.bands
    )
    told = write_day_truth(answered.day, replace(answered.answer, bands=bands), tmp_path)
    margins = [f for f in told.figures if f.kind is FigureKind.BAND_MARGIN]
    assert len(margins) >= 4
    assert not any(f.holds for f in margins)
    # Among those of the whole day, and once more among those that miss.
    page = (tmp_path / "truth.html").read_text("utf-8")
    assert page.count("margin at 30-40 km/h") == 2
