"""The curve midway between rising and falling, each position alike, and the loop about it."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from calibration.budget.half_loop import half_loop, level_means, position_weights
from calibration.budget.working_curve import WorkingCurve, working_curve
from calibration.evaluation.evaluation import evaluate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.load_series import LoadSeries, load_series
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import iso_csv


def curve(text: str, degree: int = 1, sense: int = 1) -> tuple[LoadSeries, WorkingCurve]:
    loads = load_series(parse_readings(text), sense)
    return loads, working_curve(loads, half_loop(loads), degree)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_it_runs_midway(sign: float) -> None:
    """Four rising series, two falling: midway all the same, at every force."""
    loads, made = curve(iso_csv(loop=0.002, sign=sign), degree=4, sense=int(sign))
    for direction, side in ((1, -1.0), (-1, 1.0)):
        here = (loads.direction == direction) & (np.abs(loads.force) < 500.0)
        off = made.fit.predict(loads.deflection[here]) - loads.force[here]
        share = np.abs(loads.force[here]) / 500.0
        half = 0.5 * 0.002 * 4.0 * share * (1.0 - share) * np.abs(loads.force[here])
        assert off * sign == pytest.approx(side * half, abs=0.03)


def test_every_position_counts_alike() -> None:
    """Two series at 0°, one each at 120° and 240°: a gain 3x high at 0° moves the mean by x."""
    _, made = curve(iso_csv(rotation=(3e-3, 0.0, 0.0)))
    assert 1.0 / made.fit.coefficients[1] == pytest.approx(8000.0 * 1.001, rel=1e-5)


def test_weights_add_up_at_each_level() -> None:
    loads, _ = curve(iso_csv(loop=0.001))
    weights = position_weights(loads)
    assert np.bincount(loads.level_of, weights=weights) == pytest.approx(1.0)
    for place in (0.0, 120.0, 240.0):
        assert np.sum(weights[loads.position_deg == place]) == pytest.approx(10.0 / 3.0)


def test_sensitivity_is_what_a_small_error_does() -> None:
    """Each reading pushed in turn by a hundred counts, the curve fitted anew."""
    loads, made = curve(iso_csv(noise=200.0, levels=5), degree=2)
    force = np.array([0.0, 120.0, 500.0])
    hat = made.sensitivity(force)
    assert hat.shape == (3, len(loads.force))
    at = np.interp(force, [0.0, 500.0], [0.0, loads.full_scale])
    root = np.sqrt(made.weights)
    for i in (0, 7, 20):
        fits = []
        for push in (0.0, 100.0):
            x = made.midway + push * (np.arange(len(made.midway)) == i)
            design = np.column_stack((x, x**2)) * root[:, None]
            fits.append(np.linalg.lstsq(design, loads.force * root, rcond=None)[0])
        change = np.column_stack((at, at**2)) @ (fits[0] - fits[1]) * 8000.0 / 100.0
        assert hat[:, i] == pytest.approx(change, abs=2e-3)


def test_half_loop_by_series_and_its_envelope() -> None:
    loads, made = curve(iso_csv(loop=0.002, rotation=(0.0, 1e-3, -1e-3)))
    share = np.abs(loads.levels) / 500.0
    wanted = 0.5 * 8000.0 * 0.002 * 4.0 * share * (1.0 - share) * np.abs(loads.levels)
    found = made.loop.at
    assert found[:-1] == pytest.approx(wanted[:-1], rel=2e-3)
    assert np.isnan(found[-1])
    fine = np.linspace(0.0, 1.0, 101)
    loop = 0.5 * 8000.0 * 0.002 * 4.0 * fine * (1.0 - fine) * fine * 500.0
    envelope = made.loop.envelope(loads, fine, noise=0.0, friction=False)
    # Hardly below the loop between the forces taken, and never far above it.
    assert np.all(envelope >= loop - 0.005 * np.max(loop))
    assert np.all(envelope <= loop + 0.16 * np.max(loop))
    assert np.all(made.loop.envelope(loads, fine, noise=0.0, friction=True) == np.max(
        made.loop.envelope(loads, share[:-1], noise=0.0, friction=False)))  # fmt: skip


SHAPES: dict[str, Callable[[float], float]] = {
    "parabola": lambda s: 4.0 * s * (1.0 - s),
    "wide at a fifth": lambda s: s**0.25 * (1.0 - s) / 0.535,
    "wide at four fifths": lambda s: s * (1.0 - s) ** 0.25 / 0.535,
}
"""Loops of 1 at their widest, closed at either end; invented."""
FALLING = ("450", "400", "250", "200", "100", "50")


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize(
    "kept", [("450",), ("450", "400"), ("250",), ("200", "400"), ("50", "100"), FALLING, ()]
)
def test_few_falling_forces_hold_a_falling_use(kept: tuple[str, ...], shape: str) -> None:
    """What was taken of a loop tells nothing of the rest: never narrower than the whole plan."""
    wide, law = 0.001 * 8000.0 * 500.0, SHAPES[shape]
    lines = []
    for row in iso_csv().splitlines():
        cells = row.split(",")
        if cells[2] == "down" and cells[3] != "0":
            if cells[3] not in kept and len(kept) != len(FALLING):
                continue
            cells[4] = str(round(float(cells[4]) + wide * law(float(cells[3]) / 500.0)))
        lines.append(",".join(cells))
    settings = BenchSettings(reference_U_pct=0.01, stability_pct=0.0)
    evaluation = evaluate(parse_readings("\n".join(lines) + "\n"), settings)
    part = evaluation.senses[0]
    force = part.budget.force_kN[1:-1]
    falling = force * 8000.0 + wide * np.array([law(f / 500.0) for f in force])
    away = np.abs(part.working.predict(falling) - force)
    assert np.all(away <= part.budget.expanded_kN[1:-1])
    assert np.all(np.abs(part.working.predict(force * 8000.0) - force)
                  <= part.budget.expanded_kN[1:-1])  # fmt: skip
    covers = any("do not cover the range" in caution for caution in evaluation.cautions)
    assert covers is (len(kept) != len(FALLING))


def test_means_have_the_loop_taken_out() -> None:
    loads, made = curve(iso_csv(loop=0.002))
    means = level_means(loads, made.midway)
    share = loads.levels / 500.0
    wanted = 8000.0 * loads.levels * (1.0 + 0.002 * 2.0 * share * (1.0 - share))
    assert means == pytest.approx(wanted, rel=1e-6)
