"""Sections of a run: they cover it once, in order, and are named after what bounds them."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.analysis.series.corrections import correct
from recorder.analysis.series.run_table import run_table
from recorder.analysis.series.sections import per_distance, per_time, sections_between_marks
from recorder.analysis.series.series import grid
from recorder.analysis.series.train import TrialTrain
from recorder.marks.kinds import Kind
from tests.recorder.analysis.drawn_runs import STEP_S, drawn, mark


@given(st.integers(10, 400), st.floats(0.2, 60.0))
def test_sections_of_time_follow_one_another(n: int, seconds: float) -> None:
    series = drawn(np.full(n, 10.0), np.full(n, 50.0))
    sections = per_time(series, seconds)
    assert all(a.stop == b.start for a, b in pairwise(sections))
    assert all(section.start < section.stop for section in sections)


@given(st.floats(2.0, 25.0), st.floats(20.0, 400.0))
def test_sections_of_distance_are_as_long_as_asked(speed: float, metres: float) -> None:
    series = drawn(np.full(3000, speed), np.full(3000, 50.0))
    *whole, last = per_distance(series, metres)
    assert series.speed_m_s[last.span].sum() * STEP_S <= metres + 2.0 * speed * STEP_S
    for section in whole:
        run_m = series.speed_m_s[section.span].sum() * STEP_S
        assert run_m == pytest.approx(metres, abs=2.0 * speed * STEP_S)


def test_standing_adds_to_no_section() -> None:
    speed = np.concatenate([np.full(500, 10.0), np.zeros(3000), np.full(500, 10.0)])
    sections = per_distance(drawn(speed, np.zeros(4000)), 100.0)
    assert len(sections) == pytest.approx(10, abs=1)


def test_mileposts_bound_sections_and_name_them() -> None:
    series = drawn(np.full(3000, 10.0), np.full(3000, 50.0))
    marks = [
        mark("milepost", 10.0, "4"),
        mark("remark", 20.0, "x"),
        mark("milepost", 110.0, "5"),
    ]
    (section,) = sections_between_marks(series, marks, Kind.MILEPOST)
    assert "4" in section.name
    assert "5" in section.name
    assert (section.start, section.stop) == (100, 1100)


@given(st.floats(0.0, 1e3), st.floats(1.0, 500.0), st.floats(0.1, 10.0))
def test_the_grid_has_whole_steps_and_leaves_the_broken_one_out(
    start: float, length: float, step: float
) -> None:
    edges = grid(start, start + length, step)
    if len(edges) > 1:
        assert np.diff(edges) == pytest.approx(step)
    assert edges[0] == start
    assert edges[-1] <= start + length + 1e-6 * step
    assert start + length - edges[-1] < step * (1.0 + 1e-6)


def test_the_run_tables_means_are_those_of_the_bins() -> None:
    rng = np.random.default_rng(2)
    series = drawn(np.full(1000, 12.0), rng.normal(80.0, 5.0, 1000))
    columns = run_table(series, correct(series, TrialTrain()), per_time(series, 10.0))
    pull = np.asarray(columns["pull_kN"])
    assert pull == pytest.approx(series.pull_kN.reshape(10, 100).mean(axis=1))
    work = np.asarray(columns["work_draft_kJ"])
    # The first bin's distance is not known: half a bin at either end is left out of it.
    assert work.sum() == pytest.approx(float(np.sum(series.pull_kN * 12.0) * STEP_S), rel=2e-3)
