"""Work and its balance: the same on any grid, and what is not known is left out, not nothing."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.quantities.constants import G_M_S2
from recorder.analysis.dynamics.energy import balance_energy, drawbar_work, work_over
from recorder.analysis.dynamics.peaks import highest_mean
from recorder.analysis.dynamics.stops_and_starts import starting_effort
from recorder.analysis.series.series import Series
from recorder.analysis.series.train import TrialTrain, Vehicles
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.run_basis import RunBasis
from tests.recorder.analysis.drawn_runs import INSTRUMENTS, STEP_S, ZERO, drawn, drawn_run

TRAIN = TrialTrain(
    locomotive=Vehicles(mass_t=100.0, rotary=0.0), trailing=Vehicles(mass_t=800.0, rotary=0.0)
)
NO_BRAKE = np.zeros(2000, bool)


@given(st.floats(1.0, 30.0), st.floats(-200.0, 300.0))
def test_steady_work_is_pull_times_way(speed: float, pull: float) -> None:
    series = drawn(np.full(2000, speed), np.full(2000, pull))
    draft, buff, total = drawbar_work(drawn_run(series, train=TRAIN))
    way = float(series.distance_m[-1] - series.distance_m[0])
    assert total.value == pytest.approx(pull * way, rel=2e-3, abs=1e-6)
    assert total.value == pytest.approx(draft.value + buff.value, abs=1e-9)
    assert draft.value >= 0.0
    assert buff.value <= 0.0


def test_bins_without_a_pull_do_no_work_and_are_counted() -> None:
    pull = np.full(2000, 100.0)
    pull[500:1500] = np.nan
    series = drawn(np.full(2000, 10.0), pull)
    balance = balance_energy(drawn_run(series, train=TRAIN), NO_BRAKE)
    assert balance.total_work.value == pytest.approx(100.0 * 10.0 * 100.0, rel=5e-3)
    assert balance.seconds_missing == pytest.approx(100.0, abs=2 * STEP_S)


@pytest.mark.parametrize("slope", [0.004, -0.004])
def test_potential_energy_is_weight_times_rise(slope: float) -> None:
    rise = np.full(2000, slope)
    series = replace(
        drawn(np.full(2000, 10.0), np.full(2000, 50.0)),
        locomotive_grade=rise,
        trailing_grade=rise,
    )
    balance = balance_energy(drawn_run(series, train=TRAIN), NO_BRAKE)
    assert balance.potential is not None
    assert balance.potential.value == pytest.approx(800.0 * G_M_S2 * slope * 2000.0, rel=5e-3)


def test_kinetic_energy_is_that_of_the_trailing_mass() -> None:
    speed = np.linspace(5.0, 15.0, 2000)
    balance = balance_energy(
        drawn_run(drawn(speed, np.full(2000, 50.0)), train=TRAIN), NO_BRAKE
    )
    assert balance.kinetic is not None
    assert balance.kinetic.value == pytest.approx(0.5 * 800.0 * (15.0**2 - 5.0**2), rel=5e-3)


@pytest.mark.parametrize("unit", ["kN", "kW"])
def test_the_highest_minute_is_where_it_was_drawn(unit: str) -> None:
    pull = np.full(3000, 50.0)
    pull[1000:1600] = 150.0
    peak = highest_mean(drawn_run(drawn(np.full(3000, 10.0), pull)), 60.0, unit)
    assert peak is not None
    assert peak.value.value == pytest.approx(150.0 if unit == "kN" else 1500.0, rel=1e-3)
    assert peak.t_start_s == pytest.approx(100.0, abs=STEP_S)


def test_a_gap_in_every_minute_leaves_no_highest_minute() -> None:
    pull = np.full(3000, 50.0)
    pull[::500] = np.nan
    assert highest_mean(drawn_run(drawn(np.full(3000, 10.0), pull)), 60.0, "kN") is None


def test_without_a_start_there_is_no_starting_effort() -> None:
    assert starting_effort([]) is None


def test_a_balance_that_cannot_be_closed_says_why() -> None:
    series = drawn(np.full(2000, 10.0), np.full(2000, 50.0))
    weighed, everywhere = drawn_run(series, train=TRAIN), ~NO_BRAKE
    known = Measured(20.0, "N/t")
    assert balance_energy(weighed, NO_BRAKE, lambda _: known).why_open == ""
    assert balance_energy(weighed, NO_BRAKE).why_open == "no resistance was fitted"
    told = balance_energy(weighed, NO_BRAKE, no_rolling="2 observations are too few")
    assert told.why_open == "2 observations are too few"
    fitted = balance_energy(weighed, NO_BRAKE, lambda _: known, everywhere)
    assert "no free running is left" in fitted.why_open
    assert fitted.balanced_seconds == 0.0
    unweighed = balance_energy(drawn_run(series), NO_BRAKE, lambda _: known)
    assert unweighed.why_open == "the trailing mass is not known"
    silent = drawn_run(replace(series, pull_kN=np.full(2000, np.nan)), train=TRAIN)
    assert (
        "nowhere known together" in balance_energy(silent, NO_BRAKE, lambda _: known).why_open
    )


def test_the_seconds_of_the_balance_are_those_on_which_nothing_was_fitted() -> None:
    series = drawn(np.full(2000, 10.0), np.full(2000, 50.0))
    fitted, braked = NO_BRAKE.copy(), NO_BRAKE.copy()
    fitted[:500], braked[400:700] = True, True
    run = drawn_run(series, train=TRAIN)
    held = balance_energy(run, braked, lambda _: Measured(20.0, "N/t"), fitted)
    assert held.balanced_seconds == pytest.approx(1300 * STEP_S)


def measured_by(series: Series, absolute_kN: float, relative: float) -> RunBasis:
    """With a calibration that is uncertain without a force, and more with one."""
    instruments = replace(
        INSTRUMENTS, pull_u_kN=lambda force: math.hypot(absolute_kN, relative * force)
    )
    return replace(drawn_run(series, train=TRAIN), instruments=instruments)


@given(
    st.integers(0, 10**6),
    st.floats(0.0, 1.0),
    st.floats(0.0, 0.01),
    st.floats(0.1, 20.0),
    st.floats(-100.0, 100.0),
)
def test_draft_and_buff_are_the_total_part_by_part(
    seed: int, absolute_kN: float, relative: float, speed: float, mean_kN: float
) -> None:
    rng = np.random.default_rng(seed)
    pull = np.repeat(rng.normal(mean_kN, 80.0, 20), 30)
    pull[100:130], pull[200:260] = 0.0, np.nan
    way = speed * np.repeat(rng.choice([1.0, -1.0], 6), 100)
    run = measured_by(drawn(way, pull), absolute_kN, relative)
    draft, buff, total = drawbar_work(run)
    added = draft.plus(buff)
    assert added.parts.keys() == total.parts.keys()
    for cause, part in total.parts.items():
        assert added.parts[cause] == pytest.approx(part, rel=1e-9, abs=1e-9), cause
    # However it is parted it is the work of all bins, but for the forces at which the curve of
    # the calibration is read.
    whole = work_over(run, np.isfinite(pull))
    assert total.value == pytest.approx(whole.value, abs=1e-6)
    assert total.u == pytest.approx(whole.u, rel=2e-3, abs=1e-9)
    assert total.effective_dof == pytest.approx(whole.effective_dof, rel=1e-2)


@pytest.mark.slow
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_a_work_scatters_as_its_calibration_does(way: float) -> None:
    """Drawn calibrations, of an error without load and one of the scale."""
    rng = np.random.default_rng(3)
    speed = way * np.concatenate([np.full(600, 10.0), np.full(300, -8.0), np.full(500, 5.0)])
    pull = np.concatenate([np.full(600, 80.0), np.full(300, -60.0), np.full(500, -20.0)])
    run = measured_by(drawn(speed, pull), 0.3, 0.004)
    for bins in (pull > 0.0, pull < 0.0, np.isfinite(pull)):
        found = work_over(run, bins)
        calibration = (run.instruments.pull_cause, run.instruments.unloaded_cause)
        u = math.hypot(*(found.parts[c] for c in calibration))
        z = rng.standard_normal((2, 4000))
        ds = (speed * STEP_S)[bins]
        drawn_kJ = 0.3 * z[0] * ds.sum() + 0.004 * z[1] * (pull[bins] @ ds)
        # A standard deviation of 4000 draws scatters by 1.1 %: four of these.
        assert u == pytest.approx(float(drawn_kJ.std()), rel=0.045)


@pytest.mark.parametrize("pull_kN", [16.0, -16.0])
def test_what_work_and_rolling_share_of_a_calibration_cancels(pull_kN: float) -> None:
    """A resistance read by the same cell at the same force errs as the work does."""
    run = measured_by(drawn(np.full(2000, 10.0), np.full(2000, pull_kN)), 0.3, 0.004)
    rolling = run.instruments.pull(pull_kN).scaled(1000.0 / 800.0, "N/t")
    held = balance_energy(run, NO_BRAKE, lambda _: rolling)
    assert held.unaccounted is not None
    common = (run.instruments.pull_cause, run.instruments.unloaded_cause, ZERO)
    for cause in common:
        assert abs(held.total_work.parts[cause]) > 1.0
        assert held.unaccounted.parts[cause] == pytest.approx(0.0, abs=1e-6)
