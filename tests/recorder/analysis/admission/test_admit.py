"""What is admitted to judgement and what is refused, each for its reason."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.quantities import flags as flag_bits
from recorder.analysis.series.train import TrialTrain, Vehicles
from recorder.analysis.stretches.admission_record import CriterionKind
from recorder.sheets import parse_trip_sheet
from tests.recorder.analysis.admission.trials import (
    SPECIFICATION,
    TRAIN,
    at,
    full,
    refused_by,
    results_of,
    seconds,
)
from tests.recorder.analysis.drawn_runs import mark

K = CriterionKind
STEADY = np.full(600, 10.0)


def test_a_well_keyed_run_is_admitted_but_for_what_a_late_mark_may_hide() -> None:
    results = results_of(STEADY, 1.02, *full(0.0, 300.0, closed_s=600.0))
    assert seconds(results) >= 600.0 - 10.0 - 30.0 - 2.0
    assert refused_by(at(results, 5.0)) >= {K.SETTLED}
    assert refused_by(at(results, 590.0)) == {K.CONFIRMED}


def test_no_throttle_known_no_judgement() -> None:
    results = results_of(STEADY, 1.02)
    assert seconds(results) == 0.0
    assert all(K.THROTTLE in refused_by(r) for r in results)
    assert "no throttle is known" in results[0].admission.reasons


def test_a_mark_that_is_never_keyed_again_carries_nothing() -> None:
    results = results_of(STEADY, 1.02, *full(0.0))
    assert seconds(results) == 0.0
    assert refused_by(at(results, 300.0)) == {K.CONFIRMED}


def test_a_word_holds_for_its_stated_time_and_no_longer() -> None:
    results = results_of(np.full(4800, 10.0), 1.02, *full(0.0, closed_s=4800.0))
    assert at(results, 1100.0).judged
    assert refused_by(at(results, 2400.0)) == {K.CONFIRMED}
    assert at(results, 3700.0).judged


def test_another_setting_is_refused_and_named() -> None:
    marks = (*full(0.0), mark("throttle", 200.0, "5"), mark("throttle", 500.0, "full"))
    results = results_of(STEADY, 1.02, *marks)
    assert "the throttle was at 5" in at(results, 300.0).admission.reasons


def test_a_throttle_channel_goes_before_the_marks() -> None:
    channel = np.where(np.arange(600) < 300, 100.0, 62.0)
    results = results_of(STEADY, 1.0, throttle_pct=channel)
    assert at(results, 100.0).judged
    assert refused_by(at(results, 400.0)) >= {K.THROTTLE}
    assert "62 %" in at(results, 400.0).admission.reasons[0]


def test_an_easing_that_nobody_keyed_is_found_by_the_locomotive_itself() -> None:
    share = np.where(np.arange(1200) < 600, 1.05, 0.92)
    results = results_of(np.full(1200, 10.0), share, *full(0.0, closed_s=1200.0))
    assert all(r.judged is False for r in results if r.stretch.t_start_s >= 600.0)
    assert at(results, 300.0).judged
    assert K.OWN_PULL in refused_by(at(results, 900.0))


def test_after_an_easing_other_speeds_do_not_count_either_until_keyed_again() -> None:
    speed = np.concatenate(
        [np.full(300, 10.0), np.full(60, 10.0), np.linspace(10.0, 14.0, 240)]
    )
    share = np.where(np.arange(600) < 300, 1.05, 0.92)
    results = results_of(speed, share, *full(0.0, closed_s=600.0))
    assert not any(r.judged for r in results if r.stretch.t_start_s >= 295.0)


@pytest.mark.parametrize(("share", "judged"), [(1.05, True), (1.02, True), (1.0, False)])
def test_a_doubted_mark_is_borne_out_by_the_pull_shown_at_the_speeds_beside(
    share: float, judged: bool
) -> None:
    """Eased from 600 to 900 s at 10 m/s, unkeyed, then 12 m/s: up to 4 % (the sheet's default)
    below the 1.05 that was shown before it is believed, 5 % below may be the easing still."""
    speed = np.concatenate([np.full(900, 10.0), np.full(600, 12.0)])
    shares = np.concatenate([np.full(600, 1.05), np.full(300, 0.92), np.full(600, share)])
    results = results_of(speed, shares, *full(0.0, closed_s=1500.0))
    assert K.OWN_PULL in refused_by(at(results, 750.0))
    assert at(results, 1200.0).judged is judged
    assert (K.OWN_PULL in refused_by(at(results, 1200.0))) is not judged


def test_after_a_start_the_pull_must_settle_whatever_was_keyed() -> None:
    """At rest for 100 s, full long before; then as a run that begins in motion."""
    speed = np.concatenate([np.zeros(100), np.linspace(2.0, 10.0, 5), np.full(500, 10.0)])
    results = results_of(speed, 1.02, *full(0.0, closed_s=605.0))
    moving = [r for r in results if r.speed.value > 5.0]
    assert K.SETTLED in refused_by(moving[0])
    assert K.SETTLED not in refused_by(at(results, 300.0))
    (shown,) = (c for c in at(results, 300.0).admission.criteria if c.kind is K.SETTLED)
    assert 100.0 < float(shown.value.split()[0]) < 200.0
    results = results_of(STEADY, 1.02, throttle_pct=np.full(600, 100.0))
    assert refused_by(at(results, 5.0)) == {K.SETTLED}
    assert at(results, 300.0).judged


def test_an_opening_that_came_after_its_mark_is_found_too() -> None:
    share = np.where(np.arange(1200) < 400, 0.85, 1.05)
    results = results_of(np.full(1200, 10.0), share, *full(0.0, closed_s=1200.0))
    assert not any(r.judged for r in results if r.stretch.t_end_s <= 400.0)
    assert at(results, 800.0).judged


@pytest.mark.parametrize("shape", ["step", "smooth"])
def test_a_weakness_at_some_speeds_only_is_still_judged(shape: str) -> None:
    speed = 12.0 + 6.0 * np.sin(np.arange(3600) / 3600.0 * 8.0 * np.pi)
    inside = np.abs(speed - 12.0)
    dip = (inside < 1.4) if shape == "step" else np.exp(-((inside / 1.4) ** 2))
    results = results_of(
        speed, 1.03 - 0.10 * dip, *full(0.0, 900.0, 1800.0, 2700.0, closed_s=3600.0)
    )
    weak = [r for r in results if abs(r.speed.value - 12.0) < 0.8]
    judged = [r for r in weak if r.judged]
    assert len(judged) >= 0.6 * len(weak)
    assert all(r.margin is not None and r.margin.value < 0.0 for r in judged)


def test_a_pull_that_slides_away_within_a_stretch_is_refused() -> None:
    share = np.linspace(1.05, 0.60, 240)
    results = results_of(np.full(240, 10.0), share, *full(0.0, closed_s=240.0))
    assert K.TREND in refused_by(at(results, 100.0))


def test_near_the_posted_limit_only_the_crews_word_counts() -> None:
    speed = np.concatenate([np.full(300, 10.0), np.full(600, 13.5)])
    limit = np.full(900, 14.0)
    unsaid = results_of(speed, 1.02, *full(0.0, closed_s=900.0), speed_limit_m_s=limit)
    assert at(unsaid, 200.0).judged
    assert refused_by(at(unsaid, 500.0)) == {K.SPEED_LIMIT}
    said = results_of(speed, 1.02, *full(0.0, 520.0, closed_s=900.0), speed_limit_m_s=limit)
    assert at(said, 520.5).judged


def test_brake_slip_and_rails_refuse() -> None:
    flags = np.zeros(600, np.uint8)
    flags[400:420] = flag_bits.SATURATED
    marks = (
        *full(0.0, closed_s=600.0),
        mark("brake", 100.0, "on"),
        mark("brake", 130.0, "off"),
        mark("slip", 300.0),
    )
    results = results_of(STEADY, 1.02, *marks, flags=flags)
    assert K.BRAKE in refused_by(at(results, 140.0))
    assert K.SLIP in refused_by(at(results, 300.0))
    assert K.CHANNEL in refused_by(at(results, 410.0))
    assert at(results, 200.0).judged


def test_more_adhesion_than_the_rail_gives_is_told_apart() -> None:
    train = replace(TRAIN, adhesive_mass_t=30.0)
    results = results_of(STEADY, 1.0, *full(0.0, closed_s=600.0), train=train)
    assert refused_by(at(results, 300.0)) == {K.ADHESION}
    assert "adhesion-limited" in at(results, 300.0).admission.reasons[0]


def test_wind_rail_and_sand_by_the_contract() -> None:
    marks = (*full(0.0, closed_s=600.0), mark("weather", 1.0, "wet; wind 12 m/s from 90"))
    loose = results_of(STEADY, 1.02, *marks)
    assert refused_by(at(loose, 300.0)) == {K.WIND}
    strict = replace(
        SPECIFICATION,
        admission=replace(SPECIFICATION.admission, rail="dry", sand=False, wind_most_m_s=20.0),
    )
    sanded = (*marks, mark("sand", 200.0, "on"))
    results = results_of(STEADY, 1.02, *sanded, specification=strict)
    assert refused_by(at(results, 300.0)) == {K.RAIL, K.SAND}


STEAM_TRIP = """
[trip]
name = "steam trial"
[locomotive]
kind = "steam"
mass_t = 120.0
[locomotive.steam]
bore_m = 0.5
stroke_m = 0.65
driver_diameter_m = 1.5
boiler_pressure_kPa = 1400.0
"""


def test_steam_wants_its_pressure_and_no_priming() -> None:
    trip = parse_trip_sheet(STEAM_TRIP)
    marks = (
        *full(0.0, closed_s=600.0),
        mark("steam", 50.0, "1390 kPa"),
        mark("steam", 250.0, "1100 kPa"),
        mark("remark", 480.0, "priming badly"),
    )
    results = results_of(STEADY, 1.02, *marks, trip=trip)
    assert at(results, 120.0).judged
    assert refused_by(at(results, 310.0)) == {K.STEAM}
    assert refused_by(at(results, 500.0)) == {K.STEAM, K.FIRE}


def test_a_derated_diesel_is_not_judged_and_a_denial_is_no_derating() -> None:
    marks = (
        *full(0.0, closed_s=600.0),
        mark("remark", 100.0, "no derating seen"),
        mark("remark", 400.0, "engine derated, hot water"),
    )
    results = results_of(STEADY, 1.02, *marks)
    assert at(results, 100.0).judged
    assert refused_by(at(results, 400.0)) == {K.DERATING}


def test_accelerating_stretches_are_judged() -> None:
    speed = np.linspace(3.0, 20.0, 140)
    results = results_of(speed, 1.02, *full(0.0, closed_s=140.0))
    assert seconds(results) >= 80.0


def test_every_criterion_is_told_of_every_stretch() -> None:
    results = results_of(STEADY, 1.02, *full(0.0, closed_s=600.0))
    kinds = [tuple(c.kind for c in r.admission.criteria) for r in results]
    assert len(set(kinds)) == 1
    assert all(c.value and c.limit for r in results for c in r.admission.criteria)


def test_a_locomotive_without_mass_is_not_judged_without_a_word() -> None:
    results = results_of(
        STEADY,
        1.02,
        *full(0.0, closed_s=600.0),
        train=TrialTrain(trailing=Vehicles(mass_t=1.0)),
    )
    assert seconds(results) == 0.0
    assert all(
        "the equivalent pull is not known" in " ".join(r.admission.reasons) for r in results
    )


def test_a_pull_that_stands_still_is_not_judged() -> None:
    speed = np.full(600, 10.0)
    share = np.full(600, 1.02)
    results = results_of(speed, share, *full(0.0, closed_s=600.0))
    flags = np.where(np.arange(600) < 300, 0, flag_bits.UNSOUND).astype(np.uint8)
    frozen = results_of(speed, share, *full(0.0, closed_s=600.0), flags=flags)
    assert at(results, 400.0).judged
    assert refused_by(at(frozen, 400.0)) == {K.CHANNEL}
    assert at(frozen, 200.0).judged


def test_a_wheel_that_leaves_the_receiver_is_not_judged() -> None:
    receiver = np.where(np.arange(600) < 300, 10.0, 9.6)
    results = results_of(STEADY, 1.02, *full(0.0, closed_s=600.0), gnss_speed_m_s=receiver)
    assert at(results, 200.0).judged
    assert refused_by(at(results, 400.0)) == {K.WHEEL}


@settings(max_examples=25, deadline=None)
@given(late_s=st.floats(0.0, 2.0), gains_m_s2=st.floats(-0.25, 0.25), seed=st.integers(0, 999))
def test_a_good_receiver_that_is_late_refuses_nothing(
    late_s: float, gains_m_s2: float, seed: int
) -> None:
    """It scatters by a decimetre, and tells what was: as the train gains speed, or loses it."""
    t = np.arange(120.0)
    ends = 3.0, 3.0 + 120.0 * abs(gains_m_s2)
    speed = np.linspace(*(ends if gains_m_s2 > 0.0 else ends[::-1]), 120)
    told = np.interp(t - late_s, t, speed) + np.random.default_rng(seed).normal(0.0, 0.05, 120)
    results = results_of(speed, 1.02, *full(0.0, closed_s=120.0), gnss_speed_m_s=told)
    assert all(K.WHEEL not in refused_by(r) for r in results)


@pytest.mark.parametrize(("gains", "wheel"), [(1.0, 0.96), (-1.0, 1.04)])
def test_a_wheel_that_is_off_against_the_lateness_is_found(gains: float, wheel: float) -> None:
    """Too slow while speed is gained, or too fast while it is lost: no receiver is early."""
    true = np.linspace(8.0, 16.0, 120)[:: int(gains)]
    results = results_of(
        true * wheel, 1.02, *full(0.0, closed_s=120.0), gnss_speed_m_s=true.copy()
    )
    assert all(K.WHEEL in refused_by(r) for r in results)


def test_sand_for_any_of_a_stretch_is_sand_and_the_last_wind_is_not_all() -> None:
    strict = replace(
        SPECIFICATION, admission=replace(SPECIFICATION.admission, sand=False, rail="dry")
    )
    marks = (
        *full(0.0, closed_s=600.0),
        mark("weather", 1.0, "wet"),
        mark("weather", 100.0, "wind 18 m/s from 270"),
        mark("sand", 200.0, "on"),
        mark("sand", 300.3, "off"),
        mark("weather", 345.0, "wind 2 m/s from 270"),
    )
    results = results_of(STEADY, 1.02, *marks, specification=strict)
    assert {K.SAND, K.RAIL} <= refused_by(at(results, 299.0))
    assert K.WIND in refused_by(at(results, 340.0))
    # The wind's mark says nothing of the rail: it is still wet.
    assert K.RAIL in refused_by(at(results, 500.0))


@pytest.mark.parametrize(
    ("later", "passed"),
    [
        ("wind 3 m/s from 270", True),
        ("wind 18 m/s from 270", False),
        ("strong wind", None),
    ],
)
def test_a_wind_without_figures_within_a_stretch_is_not_passed_by_those_before(
    later: str, passed: bool | None
) -> None:
    marks = (mark("weather", 1.0, "wind 2 m/s from 270"), mark("weather", 345.0, later))
    result = at(results_of(STEADY, 1.02, *full(0.0, closed_s=600.0), *marks), 340.0)
    (wind,) = [c for c in result.admission.criteria if c.kind is K.WIND]
    assert (wind.passed, "not known" in wind.value) == (passed, passed is None)


@pytest.mark.parametrize(("words", "rail"), [("not yet dry", "wet"), ("dry, no rain", "dry")])
def test_what_is_denied_is_not_said(words: str, rail: str) -> None:
    results = results_of(STEADY, 1.02, *full(0.0, closed_s=600.0), mark("weather", 1.0, words))
    found = {c.value for c in at(results, 300.0).admission.criteria if c.kind is K.RAIL}
    assert found == {rail}


def test_a_stretch_whose_pull_is_not_known_is_refused_and_there() -> None:
    grade = np.where((np.arange(600) > 200) & (np.arange(600) < 320), np.nan, 0.0)
    results = results_of(STEADY, 1.02, *full(0.0, closed_s=600.0), locomotive_grade=grade)
    assert seconds(results) + seconds(results, judged=False) == pytest.approx(600.0)
    assert K.LENGTH in refused_by(at(results, 260.0))
