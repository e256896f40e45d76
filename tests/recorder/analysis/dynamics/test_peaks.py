"""The highest means and the starts of drawn runs hold what was true as often as stated."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from recorder.analysis.dynamics.energy import drawbar_work
from recorder.analysis.dynamics.peaks import Peak, highest_mean, running_mean, white_noise
from recorder.analysis.dynamics.stops_and_starts import find_starts, starting_effort
from recorder.analysis.uncertainty.causes import CauseKind
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.run_basis import RunBasis
from recorder.analysis.uncertainty.wander import TIMES_S, Wander
from tests.recorder.analysis.drawn_runs import INSTRUMENTS, binomial_band, drawn, drawn_run

STEP_S = 0.5
SIZE = 0.02
NOISE_KN = 0.7
RUNS = 150
ABSOLUTE_KN, RELATIVE = 0.3, 0.003


def legs(rng: np.random.Generator, number: int = 5) -> tuple[np.ndarray, np.ndarray]:
    """True speed and pull (n,) of some legs: standing, started notch by notch, running at full
    power with a grade that comes and goes, coasting in buff, braked to rest.
    """
    speed, pull = [], []
    power = 1500.0
    for _ in range(number):
        t = np.arange(0.0, 480.0, STEP_S)
        v = np.interp(t, [40.0, 62.0, 120.0, 400.0, 440.0, 470.0], [0, 2, 8, 14, 12, 0])
        v = v * rng.uniform(0.85, 1.15)
        share = np.clip(np.floor((t - 38.0) / 4.0) / 8.0, 0.0, 1.0)
        share = np.convolve(np.pad(share, 4, mode="edge"), np.ones(3) / 3.0, "same")[4:-4]
        full = np.minimum(220.0 - 4.0 * v, power / np.maximum(v, 0.1))
        rise = 6.0 * np.sin(t / 50.0 + rng.uniform(0.0, 6.0))
        driven = share * full + np.where(t > 120.0, rise, 0.0)
        pull.append(np.where(t < 400.0, driven, np.where(t < 440.0, -4.0, 10.0)))
        speed.append(v)
    return np.concatenate(speed), np.concatenate(pull)


def known_wander(tau_s: float) -> Wander:
    weights = np.array([SIZE**2 if t == tau_s else 0.0 for t in TIMES_S])
    return Wander(white=0.0, weights=weights, dof=1e6)


def shown(
    rng: np.random.Generator, speed: np.ndarray, pull: np.ndarray, tau_s: float
) -> RunBasis:
    """What instruments show of it, every error drawn as it is stated."""
    n = len(pull)
    kept = math.exp(-STEP_S / tau_s)
    kicks = rng.normal(0.0, SIZE * math.sqrt(1.0 - kept**2), n)
    kicks[0] = rng.normal(0.0, SIZE)
    wander = lfilter([1.0], [1.0, -kept], kicks)
    read = pull * (1.0 + RELATIVE * rng.standard_normal() + wander)
    read = read + ABSOLUTE_KN * rng.standard_normal() + NOISE_KN * rng.standard_normal(n)
    read = read + INSTRUMENTS.zero_u_kN * rng.standard_normal()
    wheel = 1.0 + INSTRUMENTS.wheel_rel_u * rng.standard_normal()
    run = drawn_run(drawn(speed * wheel, read, step_s=STEP_S))
    instruments = replace(
        INSTRUMENTS, pull_u_kN=lambda force: math.hypot(ABSOLUTE_KN, RELATIVE * force)
    )
    return replace(run, instruments=instruments, wander=known_wander(tau_s))


def of_peaks(
    run: RunBasis, speed: np.ndarray, pull: np.ndarray
) -> list[tuple[str, Measured, float]]:
    out = []
    for seconds, unit, true in (
        (10.0, "kN", pull),
        (10.0, "kW", pull * speed),
        (60.0, "kW", pull * speed),
    ):
        peak = highest_mean(run, seconds, unit)
        assert peak is not None
        window = round(seconds / STEP_S)
        k = round(peak.t_start_s / STEP_S)
        truth = float(running_mean(true, window)[k])
        out.append((f"highest {seconds:g} s {unit}", peak.value, truth))
    return out


def of_work(
    run: RunBasis, speed: np.ndarray, pull: np.ndarray
) -> list[tuple[str, Measured, float]]:
    work = pull * speed * STEP_S
    draft, buff, total = drawbar_work(run)
    return [
        ("draft work", draft, float(work[work > 0.0].sum())),
        ("buff work", buff, float(work[work < 0.0].sum())),
        ("total work", total, float(work.sum())),
    ]


def of_starts(
    run: RunBasis, speed: np.ndarray, pull: np.ndarray
) -> list[tuple[str, Measured, float]]:
    """The first start of a run, as the others share its calibration; and the one that read
    highest of all.
    """
    starts = find_starts(run)
    truths = [started(s.t_start_s, speed, pull) for s in starts]
    top = starting_effort(starts)
    assert top is not None
    picked = int(np.argmax([s.greatest_pull.value for s in starts]))
    return [
        ("greatest starting pull", starts[0].greatest_pull, truths[0]),
        ("starting pull, highest of all", top, truths[picked]),
    ]


def started(near_s: float, speed: np.ndarray, pull: np.ndarray) -> float:
    """True greatest mean over a second of a start, to when 2 m/s was reached."""
    t = (np.arange(len(pull)) + 0.5) * STEP_S
    begin = round((near_s - 10.0) / STEP_S)
    moved = begin + int(np.flatnonzero(speed[begin:] > 0.0)[0])
    reached = moved + int(np.flatnonzero(speed[moved:] >= 2.0)[0])
    share = (2.0 - speed[reached - 1]) / (speed[reached] - speed[reached - 1])
    fine = np.arange(t[moved] - 1.0, float(t[reached - 1] + share * STEP_S), 0.01)
    return float(running_mean(np.interp(fine, t, pull), 100).max())


@pytest.mark.slow
@pytest.mark.parametrize("tau_s", [10.0, 40.0, 160.0])
def test_peaks_starts_and_work_hold_what_was_true(tau_s: float) -> None:
    """By figure: 93 to 98 per cent, within three standard deviations of such a count."""
    held: Counter[str] = Counter()
    for seed in range(RUNS):
        rng = np.random.default_rng([seed, round(tau_s)])
        speed, pull = legs(rng)
        run = shown(rng, speed, pull, tau_s)
        truths = (*of_peaks(run, speed, pull), *of_work(run, speed, pull))
        for name, found, truth in (*truths, *of_starts(run, speed, pull)):
            held[name] += abs(found.value - truth) <= found.expanded
    low, high = binomial_band(RUNS)
    for name in held:
        assert low <= held[name] <= high, (name, held[name], RUNS)
    assert len(held) == 8


@pytest.mark.parametrize("step_s", [0.1, 0.5])
def test_white_noise_is_read_beside_a_rise_and_steps_of_the_throttle(step_s: float) -> None:
    rng = np.random.default_rng(1)
    n = round(1800.0 / step_s)
    pull = np.linspace(60.0, 140.0, n) + 20.0 * (np.arange(n) // (n // 10) % 2)
    read = pull + rng.normal(0.0, 1.0 / math.sqrt(step_s), n)
    assert white_noise(read, step_s, 160.0) == pytest.approx(1.0, rel=0.25)


def test_white_noise_is_not_known_of_nothing() -> None:
    assert white_noise(np.full(40, np.nan), STEP_S, 100.0) == 0.0
    assert white_noise(np.ones(5), STEP_S, 100.0) == 0.0


def test_a_wander_is_in_every_short_mean_by_its_own_extent() -> None:
    """Two per cent over many minutes is two per cent of ten seconds; two peaks do not share it."""
    run = replace(
        drawn_run(drawn(np.full(600, 10.0), np.full(600, 150.0), step_s=STEP_S)),
        wander=known_wander(320.0),
    )
    pull, power = (highest_mean(run, 10.0, unit) for unit in ("kN", "kW"))
    assert pull is not None
    assert power is not None
    (slow,) = [p for c, p in pull.value.parts.items() if c.kind is CauseKind.WANDER]
    assert slow == pytest.approx(0.02 * 150.0, rel=0.02)
    shared = set(pull.value.parts) & set(power.value.parts)
    assert not any(c.kind is CauseKind.WANDER for c in shared)
    assert pull.value.value == pytest.approx(150.0)


@pytest.mark.parametrize(
    ("seconds", "unit", "name"),
    [
        (10.0, "kN", "highest 10 s mean pull"),
        (60.0, "kW", "highest 60 s mean power"),
        (3600.0, "kW", "highest one-hour mean power"),
    ],
)
def test_a_highest_mean_is_named_as_the_trade_says_it(
    seconds: float, unit: str, name: str
) -> None:
    value = Measured(100.0, unit)
    peak = Peak(t_start_s=0.0, seconds=seconds, value=value, speed_m_s=10.0)
    assert peak.name == name
