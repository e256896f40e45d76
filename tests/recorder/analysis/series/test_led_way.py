"""Which way a wheel counts is a matter of its wiring; which way the locomotive leads is none."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.quantities.constants import G_M_S2
from recorder.analysis.campaign.answer import AnswerSettings, answer_files
from recorder.analysis.dynamics.energy import balance_energy
from recorder.analysis.dynamics.peaks import highest_mean
from recorder.analysis.series.line_under import RunPlace, on_route
from recorder.analysis.series.run_series import led_way
from recorder.analysis.series.series import Series
from recorder.analysis.series.train import TrialTrain, Vehicles
from recorder.analysis.stretches.cutting import cut_run
from recorder.exchange.table_import import import_table, read_table
from recorder.sheets import parse_trip_sheet
from recorder.track.route.route import parse_route
from tests.recorder.analysis.drawn_runs import drawn, drawn_run

STEP_S = 0.5
MASS_T, RESISTANCE_N_PER_T = 400.0, 20.0


def ridden(*tops_m_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Speed and pull (n,) of trips of ten minutes each, from rest to rest, on level line; a trip
    of negative speed is propelled."""
    trip_s = np.arange(0.0, 600.0, STEP_S)
    shape = np.interp(trip_s, [0.0, 30.0, 150.0, 450.0, 570.0, 600.0], [0, 0, 1, 1, 0, 0])
    speed = np.concatenate([top * shape for top in tops_m_s])
    resists = np.sign(speed) * MASS_T * RESISTANCE_N_PER_T / 1000.0
    return speed, MASS_T * np.gradient(speed, STEP_S) + resists


def test_a_wheel_that_counts_down_all_the_run_is_wired_so() -> None:
    speed, pull = ridden(15.0, 20.0)
    assert (led_way(speed, pull) == 1.0).all()
    assert (led_way(-speed, pull) == -1.0).all()


def test_propelling_is_told_from_a_train_that_the_locomotive_went_round() -> None:
    speed, pull = ridden(15.0, -10.0, 20.0)
    way = led_way(speed, pull)
    assert (speed * way == speed).all()
    assert (-speed * led_way(-speed, pull) == speed).all()
    there, pulls = ridden(15.0, 20.0)
    back = np.where(np.arange(len(there)) < len(there) // 2, there, -there)
    assert (back * led_way(back, pulls) == there).all()


def test_holding_a_train_back_downhill_is_not_propelling() -> None:
    speed, pull = ridden(15.0)
    assert (led_way(speed, pull - 60.0) * speed == speed).all()
    assert (led_way(-speed, pull - 60.0) * -speed == speed).all()


@given(
    tops=st.lists(st.sampled_from([-12.0, 8.0, 15.0]), min_size=1, max_size=5),
    gaps=st.booleans(),
)
def test_a_turned_wheel_changes_no_figure(*, tops: list[float], gaps: bool) -> None:
    speed, pull = ridden(*tops)
    if gaps:
        speed[700:720] = np.nan
    assert np.array_equal(
        speed * led_way(speed, pull), -speed * led_way(-speed, pull), equal_nan=True
    )


def test_nothing_that_moves_has_no_way() -> None:
    assert (led_way(np.zeros(50), np.zeros(50)) == 1.0).all()
    assert (led_way(np.full(5, np.nan), np.zeros(5)) == 1.0).all()
    assert len(led_way(np.zeros(0), np.zeros(0))) == 0


def propelled() -> Series:
    speed, pull = ridden(15.0, -10.0)
    rise = np.full(len(speed), 0.005)
    return drawn(
        speed,
        pull + MASS_T * G_M_S2 * rise,
        step_s=STEP_S,
        locomotive_grade=rise,
        trailing_grade=rise,
    )


def test_what_a_propelling_locomotive_does_is_in_the_work_with_its_true_sign() -> None:
    series = propelled()
    run = drawn_run(series, train=TrialTrain(trailing=Vehicles(mass_t=MASS_T, rotary=0.0)))
    balance = balance_energy(run, np.zeros(len(series), bool))
    # From rest to rest: the height won, and the resistance that holds back either way.
    net_m = float(series.speed_m_s.sum()) * STEP_S
    over_m = float(np.abs(series.speed_m_s).sum()) * STEP_S
    height = MASS_T * G_M_S2 * 0.005 * net_m
    assert balance.potential is not None
    assert balance.potential.value == pytest.approx(height, rel=1e-6)
    lost = MASS_T * RESISTANCE_N_PER_T / 1000.0 * over_m
    assert balance.total_work.value == pytest.approx(height + lost, rel=1e-3)
    assert balance.metres == pytest.approx(over_m)
    peak = highest_mean(run, 60.0, "kW")
    assert peak is not None
    assert peak.value.value > 0.0


def test_nothing_propelled_is_judged() -> None:
    series = propelled()
    assert all(s.t_end_s <= 600.0 for s in cut_run(series, ()))
    assert cut_run(series, ())


def test_the_line_under_the_train_is_that_towards_the_locomotive() -> None:
    """Up the chainage by a wheel that counts up, and by one that counts down."""
    route = parse_route(
        "chainage_m,end_chainage_m,kind,value\n0,9000,grade,0.8\n", source="line.csv"
    )
    sheet = parse_trip_sheet(
        '[trip]\nname = "T"\n[locomotive]\nmass_t = 100\nlength_m = 20\n'
        "[test_car]\nmass_t = 40\nlength_m = 20\n[consist]\nmass_t = 300\nlength_m = 100\n"
    )
    speed, pull = ridden(10.0)
    series = drawn(speed, pull, step_s=STEP_S)
    chainage = 1000.0 + np.cumsum(speed) * STEP_S
    counts = [(1, 1.0), (-1, -1.0)]
    for facing, way in counts:
        place = RunPlace(t_s=series.t_s, chainage_m=chainage, facing=facing)
        turned = replace(series, wheel_way=np.full(len(series), way))
        assert on_route(turned, route, place, sheet).trailing_grade == pytest.approx(0.008)


@pytest.mark.slow
def test_a_run_whose_wheel_counts_down_is_answered_alike(tmp_path: Path) -> None:
    speed, pull = ridden(15.0, 20.0)
    answers = []
    for name, sign in (("up", 1.0), ("down", -1.0)):
        rows = zip(np.arange(len(speed)) * STEP_S, pull, sign * speed, strict=True)
        table = tmp_path / f"{name}.csv"
        lines = [f"{t:.2f},{p:.3f},{v:.4f}" for t, p, v in rows]
        table.write_text("\n".join(["time_s,pull_kN,speed_m_s", *lines]), encoding="utf-8")
        import_table(read_table(table), tmp_path / f"{name}.h5", software="test")
        (run,) = answer_files([tmp_path / f"{name}.h5"], AnswerSettings()).runs
        answers.append(run)
    up, down = answers
    assert any("counts down over" in n for n in down.notes)
    assert not any("counts down over" in n for n in up.notes)
    for line in ("draft_work", "buff_work", "total_work"):
        value = getattr(up.energy_balance, line).value
        assert getattr(down.energy_balance, line).value == pytest.approx(value, rel=0.01)
    for a, b in zip(up.peaks, down.peaks, strict=True):
        assert b.value.value == pytest.approx(a.value.value, rel=0.01)
    assert len(up.results) == len(down.results)
