"""The trailing mass as grades and starts show it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recorder.analysis.dynamics.energy import balance_energy
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


def worked_hard(seed: int) -> RunBasis:
    """An hour mostly at full power: what is pulled is settled by the speed, and grade and
    acceleration all but make up for each other; a wheel that scatters little."""
    rng = np.random.default_rng(seed)
    n, step = 7200, 0.5
    grade = np.repeat(rng.uniform(0.0, 0.012, n // 300 + 1), 300)[:n]
    full = np.where(np.arange(n) % 1600 < 1300, 1.0, 0.35)
    v, speed, a = 8.0, np.empty(n), np.empty(n)
    for i in range(n):
        pull = full[i] * min(180.0, 1200.0 / v)
        held = LOAD_T * (12.0 + 0.36 * v + 0.0324 * v**2 + 1000.0 * G * grade[i]) / 1000.0
        a[i] = (pull - held) / (1.05 * LOAD_T)
        speed[i] = v
        v = max(v + a[i] * step, 3.0)
    pull_kN = full * np.minimum(180.0, 1200.0 / speed) + rng.normal(0.0, 0.5, n)
    seen = grade + np.repeat(rng.normal(0.0, 0.0002, n // 300 + 1), 300)[:n]
    series = drawn(speed + rng.normal(0.0, 0.002, n), pull_kN, step_s=step)
    series = replace(series, locomotive_grade=seen, trailing_grade=seen)
    train = TrialTrain(locomotive=Vehicles(mass_t=120.0), trailing=Vehicles(mass_t=LOAD_T))
    run = basis("run", series, train, INSTRUMENTS)
    return replace(run, corrected=correct(series, train))


def test_a_locomotive_at_full_power_shows_no_wrong_mass() -> None:
    """What scatter of the acceleration is taken off is what the wheel shows, not what another
    wheel might: else masses come out some per cent too high where the speed settles the pull."""
    free = np.zeros(7200, bool)
    checks = [check_mass(worked_hard(seed), free) for seed in range(30)]
    assert not [c for c in checks if c is not None and c.agrees is False]
    found = [c.estimate.joined for c in checks if c is not None]
    known = [f for f in found if f is not None]
    assert len(known) >= 20
    assert sum(abs(f.value - LOAD_T) <= f.expanded for f in known) >= 0.85 * len(known)
    assert np.mean([f.value for f in known]) == pytest.approx(LOAD_T, rel=0.01)


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
    found = balance_energy(run, braked).kinetic
    assert found is not None
    assert found.value == pytest.approx(wanted, rel=1e-3, abs=50.0)


def test_a_balance_cannot_be_closed_by_what_was_fitted_on_it() -> None:
    run = ridden(3)
    everywhere = np.ones(4800, bool)
    held = balance_energy(run, ~everywhere, lambda _: kN(20.0).scaled(1.0, "N/t"), everywhere)
    assert held.unaccounted is None
    assert held.closes is None


def test_a_bound_that_is_far_away_does_nothing_and_a_near_one_holds_up() -> None:
    """Half a normal distribution has mean σ·√(2/π) (from memory)."""
    skewed = np.array([[1.0, 0.6], [0.6, 1.0]])
    assert bounded(np.array([10.0, 20.0]), skewed) == pytest.approx([10.0, 20.0], abs=0.05)
    wide = np.diag([4.0, 1.0])
    near = bounded(np.array([0.0, 20.0]), wide)
    assert near[0] == pytest.approx(2.0 * (2.0 / np.pi) ** 0.5, rel=0.03)
    assert near[1] == pytest.approx(20.0, abs=0.05)
