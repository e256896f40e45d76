"""Resistance from drawn pieces of line: survey, wander, mass and calibration in error together."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from recorder.analysis.campaign.campaign_resistance import (
    ResistanceObservation,
    fit_most,
    fit_pieces,
)
from recorder.analysis.dynamics.shared_errors import Where, grade_errors, inertia_errors
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured
from tests.recorder.analysis.drawn_runs import TRUE_A, TRUE_B, TRUE_C, binomial_band

PIECE_S = 10.0
FINE_S = 1.0
U_GRADE = 1.96
"""N/t: 0.02 % of slope."""
LENGTH_M = 500.0
U_OWN = 0.8
U_INERTIA = 1000.0 * 1.05 * 0.01 * 2.0**0.5 / PIECE_S
"""N/t: the change of a speed known to a centimetre a second, over a piece."""
U_MASS, U_SCALE, U_ZERO, U_WHEEL = 0.01, 0.003, 0.3, 0.002
"""Relative, relative, N/t, relative."""
DRAWS = 40


def steps(rng: np.random.Generator, metres: np.ndarray, u: float) -> np.ndarray:
    """A survey's error (n,) at places: one number for each length, from anywhere on."""
    number = ((metres - rng.uniform(0.0, LENGTH_M)) // LENGTH_M).astype(int)
    number -= number.min()
    return np.asarray(u * rng.standard_normal(int(number.max()) + 1)[number])


def wandering(rng: np.random.Generator, n: int, tau_s: float, size: float) -> np.ndarray:
    """An Ornstein-Uhlenbeck process (n,) at even steps, by its exact recursion."""
    kept = np.exp(-FINE_S / tau_s)
    out = np.empty(n)
    out[0] = rng.normal(0.0, size)
    for i in range(1, n):
        out[i] = kept * out[i - 1] + rng.normal(0.0, size * np.sqrt(1.0 - kept**2))
    return out


def ridden(
    rng: np.random.Generator, *, tau_s: float, size: float, minutes: float = 30.0
) -> list[ResistanceObservation]:
    """The pieces of half an hour at changing speed and slope."""
    n = int(minutes * 60.0 / FINE_S)
    knots = np.arange(n // 120 + 2)
    t = np.arange(n) * FINE_S
    v = np.interp(t / 120.0, knots, rng.uniform(4.0, 24.0, len(knots)))
    asked = np.interp(t / 60.0, np.arange(n // 60 + 2), rng.uniform(-40.0, 70.0, n // 60 + 2))
    metres = np.cumsum(v) * FINE_S
    wheel, mass = (1.0 + u * rng.standard_normal() for u in (U_WHEEL, U_MASS))
    km_h = 3.6 * v
    pull = mass * (TRUE_A + TRUE_B * km_h + TRUE_C * km_h**2 + asked)
    shown = pull * (1.0 + U_SCALE * rng.standard_normal() + wandering(rng, n, tau_s, size))
    shown = shown + U_ZERO * rng.standard_normal() - steps(rng, metres, U_GRADE)
    resistance = shown - asked
    ends = U_INERTIA / np.sqrt(2.0) * rng.standard_normal(n // int(PIECE_S) + 1)
    out = []
    for k, first in enumerate(range(0, n - int(PIECE_S) + 1, int(PIECE_S))):
        span = slice(first, first + int(PIECE_S))
        own = U_OWN * rng.standard_normal() - (ends[k + 1] - ends[k])
        out.append(piece(span, km_h[span] * wheel, metres[span], resistance[span] + own, shown))
    return out


def piece(
    span: slice, km_h: np.ndarray, metres: np.ndarray, resistance: np.ndarray, pull: np.ndarray
) -> ResistanceObservation:
    mean_pull = float(pull[span].mean())
    value = float(resistance.mean())
    kinds = {
        UncertaintyCause(CauseKind.MASS, "load"): -mean_pull * U_MASS,
        UncertaintyCause(CauseKind.STATED, "run"): mean_pull * U_SCALE,
        UncertaintyCause(CauseKind.ZERO, "run"): U_ZERO,
        UncertaintyCause(CauseKind.RANDOM, extent=Extent("run", f"{span.start}")): U_OWN,
    }
    return ResistanceObservation(
        run="run",
        speed_km_h=float(km_h.mean()),
        speed_variance=float(km_h.var()),
        resistance=Measured(value, "N/t", kinds),
        where=Where(
            run="run",
            line="run",
            metres=(float(metres[0]), float(metres[-1])),
            seconds=(span.start * FINE_S, span.stop * FINE_S),
            u_grade_N_per_t=U_GRADE,
            grade_length_m=LENGTH_M,
            pull_N_per_t=mean_pull,
            u_inertia_N_per_t=U_INERTIA,
        ),
        wheel=UncertaintyCause(CauseKind.SPEED, "run"),
        wheel_rel_u=U_WHEEL,
        span=span,
        asked_N_per_t=abs(mean_pull - value),
    )


def test_what_pieces_share_of_a_survey_is_what_drawn_surveys_give() -> None:
    places = [(0.0, 100.0), (100.0, 460.0), (500.0, 1400.0), (2500.0, 2501.0)]
    where = [
        Where(
            run="run", line="line", metres=ends, seconds=(0.0, 1.0), u_grade_N_per_t=2.0,
            grade_length_m=LENGTH_M, pull_N_per_t=0.0, u_inertia_N_per_t=0.0,
        )
        for ends in places
    ]  # fmt: skip
    rng = np.random.default_rng(2)
    line = np.arange(0.0, 2600.0, 2.0) + 1.0
    means = [
        [error[(line >= a) & (line <= b)].mean() for a, b in places]
        for error in (steps(rng, line, 2.0) for _ in range(4000))
    ]
    drawn = np.array(means).T @ np.array(means) / len(means)
    # A variance out of 4000 draws scatters by 2.2 %: five of these, of the largest.
    assert grade_errors(where) == pytest.approx(drawn, abs=5 * 0.022 * 4.0)
    back = [replace(where[0], metres=(100.0, 0.0)), where[1]]
    assert grade_errors(back)[0, 1] == pytest.approx(-grade_errors(where)[0, 1])
    other = [replace(where[0], line="another"), where[1]]
    assert grade_errors(other)[0, 1] == 0.0


def test_what_a_speed_makes_one_piece_too_fast_it_makes_the_next_too_slow() -> None:
    pieces = ridden(np.random.default_rng(1), tau_s=5.0, size=0.0, minutes=2.0)
    where = [p.where for p in (*pieces[:5], *pieces[7:])]
    speeds = np.random.default_rng(3).standard_normal((20000, len(pieces) + 1))
    drawn = (U_INERTIA / 2.0**0.5 * np.diff(speeds))[:, [0, 1, 2, 3, 4, *range(7, len(pieces))]]
    found = inertia_errors(where)
    # A variance out of 20 000 draws scatters by one per cent: five of these.
    assert found == pytest.approx(np.cov(drawn.T), abs=0.05 * U_INERTIA**2)
    apart = inertia_errors([where[0], replace(where[1], run="another")])
    assert apart[0, 1] == 0.0


@pytest.mark.slow
@pytest.mark.parametrize(("tau_s", "size"), [(5.0, 0.003), (30.0, 0.02), (120.0, 0.02)])
def test_intervals_hold_the_resistance_that_was_drawn(tau_s: float, size: float) -> None:
    held: Counter[str] = Counter()
    for seed in range(DRAWS):
        rng = np.random.default_rng([seed, round(tau_s)])
        fit = fit_pieces(ridden(rng, tau_s=tau_s, size=size), "ABC")
        for term, value in zip("ABC", (TRUE_A, TRUE_B, TRUE_C), strict=True):
            found = fit.coefficients[term]
            held[term] += abs(found.value - value) <= found.expanded
        for v in (20.0, 40.0, 60.0, 80.0):
            true = TRUE_A + TRUE_B * v + TRUE_C * v * v
            held[f"{v:.0f}"] += abs(fit.at(v).value - true) <= fit.at(v).expanded
    low, _ = binomial_band(DRAWS)
    assert all(count >= low for count in held.values()), (held, low)
    # Seven figures of sixty draws: not all of them always.
    assert sum(held.values()) < 0.995 * DRAWS * len(held), held


@pytest.mark.slow
def test_a_piece_that_was_braked_unsaid_hardly_moves_the_fit() -> None:
    pieces = ridden(np.random.default_rng(5), tau_s=5.0, size=0.003)
    whole = fit_pieces(pieces, "ABC").at(40.0)
    middle = min(range(len(pieces)), key=lambda i: abs(pieces[i].speed_km_h - 40.0))
    one = pieces[middle]
    braked = replace(one, resistance=one.resistance.shifted(150.0))
    moved = fit_pieces([*pieces[:middle], braked, *pieces[middle + 1 :]], "ABC").at(40.0)
    assert abs(moved.value - whole.value) < whole.u


def falling(seed: int) -> list[ResistanceObservation]:
    """Pieces as a survey of the wrong sign or a wrong mass may make them: 20 − 0.2·V N/t."""
    pieces = ridden(np.random.default_rng(seed), tau_s=5.0, size=0.003)
    return [
        replace(p, resistance=p.resistance.shifted(20.0 - 0.2 * v - true_N_per_t(v)))
        for p in pieces
        for v in [p.speed_km_h]
    ]


def true_N_per_t(speed_km_h: float) -> float:
    return TRUE_A + TRUE_B * speed_km_h + TRUE_C * speed_km_h**2


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_pieces_that_contradict_a_rise_with_speed_leave_a_level_line_as_unsure(
    seed: int,
) -> None:
    pieces = falling(seed)
    fit, why = fit_most(pieces)
    assert fit is not None
    assert fit.terms == ("A",)
    assert "contradict" in why
    assert "C of A, C" in why
    speeds = np.array([p.speed_km_h for p in pieces])
    missed = np.abs(fit.at(40.0).value - (20.0 - 0.2 * speeds))
    # Nineteen in twenty of the speeds ridden, less what the size of a misfit scatters.
    assert np.mean(missed <= fit.at(40.0).expanded) >= 0.9


def test_as_many_terms_as_pieces_carry_and_why_no_more() -> None:
    pieces = ridden(np.random.default_rng(1), tau_s=5.0, size=0.003, minutes=4.0)
    whole, why = fit_most(pieces)
    assert whole is not None
    assert (whole.terms, why) == (("A", "B", "C"), "")
    level = [replace(p, speed_km_h=40.0 + 0.01 * i) for i, p in enumerate(pieces)]
    less, why = fit_most(level)
    assert less is not None
    assert less.terms == ("A",)
    assert "at least 5 km/h" in why
    none, why = fit_most(pieces[:2])
    assert none is None
    assert "2 observations cannot carry 1 term" in why
    assert fit_most([]) == (None, "no free running to fit a resistance to")
