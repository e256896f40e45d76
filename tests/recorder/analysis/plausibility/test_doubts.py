"""What a record must be doubted for, and honest ones not."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.quantities import flags as flag_bits
from recorder.analysis.plausibility.doubt import Checked, CheckState, Doubt, DoubtKind
from recorder.analysis.plausibility.doubts import checks_of
from recorder.analysis.plausibility.evidence import Evidence
from recorder.analysis.plausibility.unit_slips import LENGTH_SLIPS, slip_in_words
from recorder.analysis.series.series import GradeSource, Series
from recorder.analysis.series.train import TrialTrain, Vehicles
from recorder.sheets import parse_trip_sheet
from recorder.track.placing.placement import MarkFit, MarkUse, Placement
from tests.recorder.analysis.drawn_runs import INSTRUMENTS, Outing, basis, drawn, make_outing

TRAIN = TrialTrain(
    locomotive=Vehicles(mass_t=100.0), trailing=Vehicles(mass_t=1000.0, rotary=0.05)
)


@lru_cache(maxsize=2)
def _drawn(seed: int) -> Outing:
    return make_outing(seed, step_s=0.5, hours=1.0)


def outing(seed: int = 1, **factors: float) -> Evidence:
    """A drawn outing with some of its quantities multiplied."""
    run = _drawn(seed).run
    return _evidence(_times(run.series, **factors), run.train)


def _times(series: Series, **factors: float) -> Series:
    return replace(series, **{name: getattr(series, name) * f for name, f in factors.items()})


def _evidence(
    series: Series,
    train: TrialTrain = TRAIN,
    trip: str = "",
    gnss: NDArray[np.float64] | None = None,
) -> Evidence:
    return Evidence(
        run=basis("run", series, train, INSTRUMENTS),
        braked=np.zeros(len(series), bool),
        trip=parse_trip_sheet(trip) if trip else None,
        gnss_speed_m_s=gnss,
    )


def doubts_of(evidence: Evidence) -> tuple[Doubt, ...]:
    """What contradicts the record, in the order of the checks."""
    return tuple(c.doubt for c in checks_of(evidence) if c.doubt is not None)


def kinds(evidence: Evidence) -> set[DoubtKind]:
    """What is doubted."""
    return {d.kind for d in doubts_of(evidence)}


@pytest.mark.slow
def test_honest_outings_are_hardly_ever_doubted_and_slips_are_found() -> None:
    n, honest, sign, high = 100, 0, 0, 0
    for seed in range(n):
        honest += bool(kinds(outing(seed)))
        if seed % 2 == 0:
            sign += DoubtKind.PULL_SIGN in kinds(outing(seed, pull_kN=-1.0))
            high += DoubtKind.PULL_UNIT in kinds(outing(seed, pull_kN=9.80665))
    assert honest <= 1
    assert sign >= 48
    assert high >= 48


def test_a_turned_sign_is_doubted() -> None:
    found = doubts_of(outing(pull_kN=-1.0))
    assert [d.kind for d in found] == [DoubtKind.PULL_SIGN]
    assert found[0].stands
    assert "\n" not in found[0].text


def test_tonnes_force_are_named() -> None:
    (found,) = doubts_of(outing(pull_kN=1.0 / 9.80665))
    assert found.kind is DoubtKind.PULL_UNIT
    assert "tonnes-force were taken for kN" in found.text


@pytest.mark.parametrize(("factor", "unit"), [(1 / 1.609344, "mph"), (3.6, "km/h")])
def test_speed_in_another_unit_than_distance_is_named(factor: float, unit: str) -> None:
    found = [d for d in doubts_of(outing(speed_m_s=factor)) if d.kind is DoubtKind.DISTANCE]
    assert len(found) == 1
    assert unit in found[0].text
    assert found[0].value == pytest.approx(factor, rel=0.01)


def test_speed_is_held_against_the_receiver() -> None:
    evidence = outing()
    true = replace(evidence, gnss_speed_m_s=evidence.run.series.speed_m_s * 1.002)
    worn = replace(evidence, gnss_speed_m_s=evidence.run.series.speed_m_s * 1.05)
    assert kinds(true) == set()
    assert kinds(worn) == {DoubtKind.WHEEL}


def test_the_receiver_is_asked_of_the_speed_as_recorded() -> None:
    """A wrong scale put into the speed makes no doubt of the wheel, and hides none."""
    evidence = outing()
    run = evidence.run
    instruments = replace(INSTRUMENTS, wheel_scale=1.05)
    rescaled = basis("run", _times(run.series, speed_m_s=1.05), run.train, instruments)
    told = replace(evidence, run=rescaled, gnss_speed_m_s=run.series.speed_m_s)
    (found,) = (c for c in checks_of(told) if c.name == "speed against GNSS")
    assert found.state is CheckState.PASSED
    assert found.outcome == "as recorded 1.0000 of GNSS, 1 expected"


def _by_route(scale: float, u_scale: float, *, post: bool, fixes: bool = True) -> Checked:
    mark = MarkFit(mark_id="1", t_s=1.0, label="1", status=MarkUse.USED)
    placement = Placement(
        t_s=np.array([0.0, 1.0]),
        d_m=np.array([0.0, 500.0]),
        s_m=np.array([0.0, 500.0]),
        u_m=np.ones(2),
        way=1,
        scale=scale,
        u_scale=u_scale,
        scale_first=scale,
        scale_last=scale,
        reaction_s=0.5,
        u_reaction_s=0.2,
        reaction_sd_s=0.2,
        marks=(mark,) if post else (),
        skipped=(),
        gnss_used=0 if post or not fixes else 40,
    )
    told = replace(outing(), placement=placement)
    (found,) = (c for c in checks_of(told) if c.name.startswith("wheel against"))
    return found


@pytest.mark.parametrize(("post", "by"), [(True, "posts"), (False, "GNSS on the route")])
def test_a_wheel_outside_its_own_interval_is_not_borne_out(post: bool, by: str) -> None:
    away = _by_route(1.0 / 0.974, 0.0056, post=post)
    assert away.name == f"wheel against {by}"
    assert away.state is CheckState.NOT_CHECKED
    assert "0.9740 ± 0.0112 (95 %) of the route, 1 expected" in away.outcome
    assert "not 1 within that" in away.outcome
    near = _by_route(1.0 / 0.992, 0.0056, post=post)
    assert near.state is CheckState.PASSED
    far = _by_route(1.0 / 0.9, 0.0056, post=post)
    assert far.state is CheckState.DOUBTED


def test_a_scale_that_nothing_shows_is_not_borne_out() -> None:
    """Placed by where it began alone: the scale is the one assumed, and agrees with itself."""
    found = _by_route(1.0, 0.01, post=False, fixes=False)
    assert found.name == "wheel against the route"
    assert found.state is CheckState.NOT_CHECKED
    assert "neither a post nor a fix" in found.outcome


def test_a_restarted_counter_is_no_slip_of_a_unit() -> None:
    evidence = outing()
    metres = evidence.run.series.distance_m.copy()
    metres[4000:] -= metres[4000]
    run = evidence.run
    restarted = basis("run", replace(run.series, distance_m=metres), run.train, INSTRUMENTS)
    assert kinds(replace(evidence, run=restarted)) == set()


def _steady(pull_kN: float, speed_m_s: float = 10.0, n: int = 3000) -> Series:
    return drawn(np.full(n, speed_m_s), np.full(n, pull_kN))


@pytest.mark.parametrize(("pull_kN", "doubted"), [(430.0, False), (450.0, True)])
def test_more_than_rails_can_give_is_doubted(pull_kN: float, doubted: bool) -> None:
    # 0.45 × 100 t × 9.80665 m/s² = 441 kN.
    assert (DoubtKind.ADHESION in kinds(_evidence(_steady(pull_kN)))) is doubted


TRIP = '[trip]\nname = "T"\n[locomotive]\nmass_t = 100\n'
STEAM = (
    "[locomotive.steam]\ncylinders = 2\nbore_m = 0.5\nstroke_m = 0.66\n"
    "driver_diameter_m = 1.5\nboiler_pressure_Pa = 1.4e6\n"
)


@pytest.mark.parametrize(("rated", "doubted"), [(1000, False), (900, True)])
def test_more_power_than_rated_is_doubted(rated: float, doubted: bool) -> None:
    # 100 kN at 10 m/s is 1000 kW.
    evidence = _evidence(_steady(100.0), trip=f"{TRIP}rated_power_kW = {rated}\n")
    assert (DoubtKind.POWER in kinds(evidence)) is doubted


@pytest.mark.parametrize(("pull_kN", "doubted"), [(160.0, False), (180.0, True)])
def test_more_than_the_cylinders_can_give_is_doubted(pull_kN: float, doubted: bool) -> None:
    # 1.3 × 0.85 × 1.4 MPa × 0.5² × 0.66 / 1.5 = 170 kN.
    assert (DoubtKind.PULL_UNIT in kinds(_evidence(_steady(pull_kN), trip=TRIP + STEAM))) is (
        doubted
    )


def test_what_never_changes_is_stuck_only_while_the_train_varies() -> None:
    speed = 10.0 + 4.0 * np.sin(np.arange(3000) / 300.0)
    pull = 80.0 + 30.0 * np.cos(np.arange(3000) / 200.0)
    level = np.ones(3000)
    assert DoubtKind.STUCK in kinds(_evidence(drawn(speed, 80.0 * level)))
    assert DoubtKind.STUCK in kinds(_evidence(drawn(10.0 * level, pull)))
    assert DoubtKind.STUCK not in kinds(_evidence(drawn(speed, pull)))
    assert DoubtKind.STUCK not in kinds(_evidence(_steady(80.0)))


def test_a_channel_that_was_unsound_for_long_is_doubted() -> None:
    for share, doubted in ((0.05, False), (0.2, True)):
        flags = np.zeros(3000, np.uint8)
        flags[: int(3000 * share)] = flag_bits.UNSOUND
        varied = drawn(10.0 + np.sin(np.arange(3000) / 300.0), np.full(3000, 80.0))
        series = replace(varied, pull_kN=varied.pull_kN + np.arange(3000) / 100.0, flags=flags)
        assert (DoubtKind.STUCK in kinds(_evidence(series))) is doubted


@pytest.mark.parametrize("dead", [math.nan, 0.0])
def test_a_dead_speed_is_doubted_while_the_receiver_moves(dead: float) -> None:
    n = 3000
    pull = 80.0 + 30.0 * np.cos(np.arange(n) / 200.0)
    gnss = 12.0 + np.sin(np.arange(n) / 300.0)
    dying = np.where(np.arange(n) < 2000, gnss, dead)
    assert DoubtKind.STUCK in kinds(_evidence(drawn(dying, pull), gnss=gnss))
    assert DoubtKind.STUCK not in kinds(_evidence(drawn(gnss, pull), gnss=gnss))


def test_no_speed_at_all_is_doubted_while_the_pull_changes() -> None:
    n = 3000
    pull = 80.0 + 30.0 * np.cos(np.arange(n) / 200.0)
    assert DoubtKind.STUCK in kinds(_evidence(drawn(np.full(n, math.nan), pull)))
    still = drawn(np.full(n, math.nan), np.full(n, 80.0))
    assert DoubtKind.STUCK not in kinds(_evidence(still))


@pytest.mark.parametrize("n", [0, 1, 3000])
def test_a_run_of_nothing_is_checked_without_a_doubt(n: int) -> None:
    nothing = np.full(n, math.nan)
    series = replace(drawn(nothing, nothing), locomotive_grade=nothing, trailing_grade=nothing)
    for train in (TRAIN, TrialTrain()):
        evidence = _evidence(series, train)
        assert doubts_of(evidence) == ()
        assert {c.state for c in checks_of(evidence)} == {CheckState.NOT_CHECKED}


def _checked(evidence: Evidence, name: str) -> Checked:
    return next(c for c in checks_of(evidence) if c.name == name)


@pytest.mark.parametrize(
    ("pull_kN", "state"),
    [
        (80.0, CheckState.PASSED),
        (-80.0, CheckState.DOUBTED),
        (np.where(np.arange(3000) % 2, 80.0, -80.0), CheckState.NOT_CHECKED),
    ],
)
def test_a_sign_that_no_pull_while_gaining_speed_tells_is_not_checked(
    pull_kN: float | NDArray[np.float64], state: CheckState
) -> None:
    """No grade: the sign is told by the pull while speed is gained, where that is one sign."""
    series = drawn(5.0 + np.arange(3000) * 0.01, np.broadcast_to(pull_kN, 3000).copy())
    series = replace(
        series,
        grade_source=GradeSource.UNKNOWN,
        acceleration_m_s2=np.full(3000, 0.1),
    )
    found = _checked(_evidence(series), "pull against grade and acceleration")
    assert found.state is state


@pytest.mark.parametrize(
    ("stood_s", "watched", "state", "words"),
    [
        (149, True, CheckState.NOT_CHECKED, "the longest stand is 149 s"),
        (150, True, CheckState.PASSED, "the longest stand is 150 s"),
        (0, True, CheckState.NOT_CHECKED, "the longest stand is 50 s"),
        (400, False, CheckState.NOT_CHECKED, "no certificate"),
    ],
)
def test_no_drift_at_rest_is_a_good_sign_after_a_stand_alone(
    stood_s: int, watched: bool, state: CheckState, words: str
) -> None:
    """Thirty seconds to settle, and two minutes in which a drift shows; a second stand of 50 s."""
    speed = np.repeat([10.0, 0.0, 10.0, 0.0, 10.0], np.array([300, stood_s, 100, 50, 100]) * 10)
    series = drawn(speed, np.full(len(speed), 50.0))
    assert series.step_s == 0.1
    found = _checked(replace(_evidence(series), zero_watched=watched), "pull at rest")
    assert found.state is state
    assert words in found.outcome


def test_a_receiver_that_moves_makes_no_stand_of_a_dead_wheel() -> None:
    n = 3000
    series = drawn(np.zeros(n), np.full(n, 50.0))
    for gnss, state in ((0.3, CheckState.PASSED), (5.0, CheckState.NOT_CHECKED)):
        evidence = _evidence(series, gnss=np.full(n, gnss))
        found = _checked(replace(evidence, zero_watched=True), "pull at rest")
        assert found.state is state


def test_a_stand_at_a_rail_shows_no_drift() -> None:
    flags = np.zeros(2000, np.uint8)
    flags[1000] = flag_bits.SATURATED
    series = replace(drawn(np.zeros(2000), np.full(2000, 50.0)), flags=flags)
    found = _checked(replace(_evidence(series), zero_watched=True), "pull at rest")
    assert found.state is CheckState.NOT_CHECKED
    assert "the longest stand is 100 s" in found.outcome


def test_without_masses_the_sign_is_told_and_the_size_is_not() -> None:
    run = make_outing(3, step_s=0.5).run
    assert kinds(_evidence(_times(run.series, pull_kN=9.8), TrialTrain())) == set()


@pytest.mark.parametrize("words", LENGTH_SLIPS)
def test_every_slip_is_named_by_its_factor(words: str) -> None:
    named = slip_in_words(LENGTH_SLIPS[words] * 1.001, LENGTH_SLIPS, within=0.01)
    assert named.startswith(words)


@pytest.mark.parametrize("ratio", [0.0, -1.0, math.nan, math.inf, 1.0])
def test_no_slip_is_named_where_there_is_none(ratio: float) -> None:
    assert slip_in_words(ratio, LENGTH_SLIPS, within=0.04) == ""
