"""The trailing mass as grades and starts show it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recorder.analysis.dynamics.energy import draw_ledger
from recorder.analysis.dynamics.mass import check_mass
from recorder.analysis.dynamics.regression import bounded
from recorder.analysis.series.corrections import correct
from recorder.analysis.series.train import TrialTrain, Vehicles
from recorder.analysis.uncertainty.run_basis import RunBasis
from tests.recorder.analysis.drawn_runs import INSTRUMENTS, basis, drawn, kN

LOAD_T = 900.0
G = 9.80665
"""Standard acceleration of free fall, exact (3rd General Conference on Weights and Measures,
1901; from memory)."""


def ridden(seed: int, *, stated: float = 1.0) -> RunBasis:
    """Forty minutes over changing grades and speeds; the sheet states a share of the mass."""
    rng = np.random.default_rng(seed)
    n = 4800
    t = np.arange(n) * 0.5
    speed = 12.0 + 4.0 * np.sin(t / 97.0) + 2.0 * np.sin(t / 31.0)
    a = np.gradient(speed, 0.5)
    grade = np.repeat(rng.uniform(-0.008, 0.008, n // 120 + 1), 120)[:n]
    km_h = speed * 3.6
    resistance = LOAD_T * (12.0 + 0.1 * km_h + 0.0025 * km_h**2) / 1000.0
    pull = LOAD_T * (G * grade + 1.05 * a) + resistance + rng.normal(0.0, 1.5, n)
    seen = grade + np.repeat(rng.normal(0.0, 0.0002, n // 120 + 1), 120)[:n]
    series = replace(drawn(speed, pull, step_s=0.5), locomotive_grade=seen, trailing_grade=seen)
    train = TrialTrain(
        locomotive=Vehicles(mass_t=120.0), trailing=Vehicles(mass_t=stated * LOAD_T)
    )
    run = basis("run", series, train, INSTRUMENTS)
    return replace(run, corrected=correct(series, train))


def test_an_honest_mass_agrees_and_a_wrong_one_does_not() -> None:
    free = np.zeros(4800, bool)
    agreed = [check_mass(ridden(s), free) for s in range(20)]
    assert all(c is not None and c.agrees for c in agreed)
    for factor in (0.85, 1.15):
        told = [check_mass(ridden(s, stated=factor), free) for s in range(20)]
        assert sum(c is not None and c.agrees is False for c in told) >= 18


def test_the_interval_of_the_mass_holds_it() -> None:
    held = 0
    for seed in range(60):
        check = check_mass(ridden(seed), np.zeros(4800, bool))
        assert check is not None
        found = check.estimate.joined
        assert found is not None
        held += abs(found.value - LOAD_T) <= found.expanded
    assert held >= 60 * 0.93 - 3 * (60 * 0.93 * 0.07) ** 0.5


def test_without_a_mass_in_the_sheet_there_is_nothing_to_hold_it_against() -> None:
    run = ridden(1)
    bare = replace(run, train=TrialTrain(locomotive=Vehicles(mass_t=120.0)))
    assert check_mass(bare, np.zeros(4800, bool)) is None


def test_kinetic_energy_is_by_the_ends_of_each_free_part_whatever_is_braked() -> None:
    run = ridden(2)
    braked = np.zeros(4800, bool)
    braked[1000:1400] = True
    v = run.series.speed_m_s
    ends = (v[999] + v[1000]) / 2, (v[1399] + v[1400]) / 2
    wanted = LOAD_T * 1.05 / 2.0 * (ends[0] ** 2 - v[0] ** 2 + v[-1] ** 2 - ends[1] ** 2)
    found = draw_ledger(run, braked).kinetic
    assert found is not None
    assert found.value == pytest.approx(wanted, rel=1e-3, abs=50.0)


def test_a_balance_cannot_be_closed_by_what_was_fitted_on_it() -> None:
    run = ridden(3)
    everywhere = np.ones(4800, bool)
    held = draw_ledger(run, ~everywhere, lambda _: kN(20.0).scaled(1.0, "N/t"), everywhere)
    assert held.closure is None
    assert held.closes is None


def test_a_bound_that_is_far_away_does_nothing_and_a_near_one_holds_up() -> None:
    """Half a normal distribution has mean σ·√(2/π) (from memory)."""
    skewed = np.array([[1.0, 0.6], [0.6, 1.0]])
    assert bounded(np.array([10.0, 20.0]), skewed) == pytest.approx([10.0, 20.0], abs=0.05)
    wide = np.diag([4.0, 1.0])
    near = bounded(np.array([0.0, 20.0]), wide)
    assert near[0] == pytest.approx(2.0 * (2.0 / np.pi) ** 0.5, rel=0.03)
    assert near[1] == pytest.approx(20.0, abs=0.05)
