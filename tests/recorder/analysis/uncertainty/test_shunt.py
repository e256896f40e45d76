"""Shunt checks in the figures: no false pull, and a failed one widens what it puts in doubt."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.field.checks import check_shunt
from calibration.field.mean_counts import MeanCounts
from recorder.analysis.campaign.loaded_run import LoadedRun
from recorder.analysis.campaign.loading import load_run
from recorder.analysis.uncertainty.field_checks import RunFieldChecks, field_checks_of
from recorder.run.checks.shunt_check import ShuntCheck, ShuntStep
from recorder.run.checks.zero_line import Zero, ZeroTime
from recorder.run.parts.event import Event
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.cell_runs import CELL, HZ, cell_run

ZERO = 20_000
EXPECTED = 2_000_000
"""The certificate's deflection, 200 kN of false pull; ± 5000 are allowed."""
ON_S, OFF_S = 40.0, 55.0
TAKEN = Zero(channel="pull", t_s=0.0, counts=float(ZERO), u_counts=6.0).to_event()


def mean(counts: float, *, sd: float = 5.0) -> MeanCounts:
    return MeanCounts(
        mean=counts, u=1.0, sd=sd, n=300, drift=0.0, u_drift=0.4,
        lowest=counts, highest=counts,
    )  # fmt: skip


def check(deflection: float, t_s: float = 50.0, *, reason: str = "") -> Event:
    opened, shunted = mean(ZERO), mean(ZERO + deflection)
    return ShuntCheck(
        channel="pull", t_s=t_s, step=ShuntStep.SHUNTED, open_counts=opened.mean,
        shunted_counts=shunted.mean, u_counts=1.4, open_s=20.0, seconds=3.0, reason=reason,
        check=check_shunt(CELL, opened, shunted),
    ).to_event()  # fmt: skip


def counts(deflection: float = EXPECTED) -> NDArray[np.int64]:
    """A shunt from 40 to 55 s at no force, then 50 kN of pull from 100 s on."""
    t = np.arange(20_000) / HZ
    return np.asarray(
        ZERO
        + np.where((t >= ON_S) & (t < OFF_S), deflection, 0)
        + np.where(t >= 100.0, 500_000, 0),
        np.int64,
    )


def loaded(path: Path) -> tuple[LoadedRun, RunFieldChecks]:
    with open_run(path) as run:
        found = load_run(run, name="monday")
        return found, field_checks_of(run, found.series)


def test_a_resistor_pulls_no_train(tmp_path: Path) -> None:
    run, _ = loaded(cell_run(tmp_path / "run.h5", counts(), TAKEN, check(EXPECTED)))
    t, pull = run.series.t_s, run.series.pull_kN
    assert np.isnan(pull[(t > ON_S) & (t < OFF_S)]).all()
    assert np.isfinite(pull[(t < ON_S - 1.2) | (t > OFF_S + 1.2)]).all()
    assert np.nanmax(run.series.pull_max_kN) == pytest.approx(50.0, abs=0.1)
    assert any("38 to 56 s is left out" in n or "39 to 56 s is" in n for n in run.notes)


def test_a_shunt_that_was_never_put_on_takes_no_pull_away(tmp_path: Path) -> None:
    run, _ = loaded(cell_run(tmp_path / "run.h5", counts(0), TAKEN, check(300.0)))
    assert np.isfinite(run.series.pull_kN).all()


def test_a_check_in_limits_leaves_the_certificate_alone(tmp_path: Path) -> None:
    path = cell_run(tmp_path / "run.h5", counts(), TAKEN, check(EXPECTED + 4000))
    run, _ = loaded(path)
    assert run.instruments.pull_cause.label == "certificate F-12"
    assert run.instruments.pull_u_kN(50.0) == float(CELL.standard_uncertainty_kN(50.0))


def test_a_failed_check_is_covered_by_the_uncertainty(tmp_path: Path) -> None:
    """2 % off: rectangular ± 2 % of the pull, so that twice the uncertainty covers it."""
    path = cell_run(tmp_path / "run.h5", counts(), TAKEN, check(0.98 * EXPECTED))
    run, _ = loaded(path)
    wanted = math.hypot(float(CELL.standard_uncertainty_kN(50.0)), 0.02 * 50.0 / math.sqrt(3.0))
    assert run.instruments.pull_u_kN(50.0) == pytest.approx(wanted)
    assert run.instruments.pull_cause.label == "certificate F-12 and shunt check of monday"
    assert any("-2.00 % from the certificate's value" in note for note in run.notes)


def test_an_unsteady_check_shows_nothing(tmp_path: Path) -> None:
    event = check(0.5 * EXPECTED, reason="drift 9 kN")
    run, _ = loaded(cell_run(tmp_path / "run.h5", counts(0), TAKEN, event))
    assert run.instruments.pull_cause.label == "certificate F-12"
    assert any("shows nothing: drift 9 kN" in note for note in run.notes)


def test_what_was_found_is_gathered(tmp_path: Path) -> None:
    """The last zero against the first, and finished shunt checks alone."""
    refused = Zero(
        channel="pull", t_s=120.0, counts=math.nan, accepted=False, reason="nothing came"
    )
    last = Zero(
        channel="pull", t_s=190.0, counts=ZERO + 9000.0, u_counts=6.0, when=ZeroTime.AFTER
    )
    opened = ShuntCheck(channel="pull", t_s=20.0, step=ShuntStep.OPEN, open_counts=ZERO)
    path = cell_run(
        tmp_path / "run.h5", counts(), TAKEN, opened.to_event(), check(EXPECTED),
        refused.to_event(), last.to_event(),
    )  # fmt: skip
    _, found = loaded(path)
    assert [worth.zero.accepted for worth in found.zeros] == [True, False, True]
    ((channel, drift),) = found.drifts
    assert (channel, drift.passed, drift.difference_counts) == ("pull", False, 9000.0)
    assert [(c.t_s, c.passed) for c in found.shunts] == [(50.0, True)]
    assert all(math.isnan(t_s) for t_s in found.moved_s)


@pytest.mark.parametrize(
    ("t_s", "when"), [(5.0, "before"), (10.0, "before"), (50.0, "during"), (95.0, "after")]
)
def test_before_and_after_are_told_by_the_train(t_s: float, when: str) -> None:
    moved = RunFieldChecks(zeros=(), forces=(), drifts=(), shunts=(), moved_s=(10.0, 90.0))
    assert moved.when(t_s) == when
    stood = RunFieldChecks(
        zeros=(), forces=(), drifts=(), shunts=(), moved_s=(math.nan, math.nan)
    )
    assert stood.when(t_s) == "before"
