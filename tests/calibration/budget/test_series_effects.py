"""Scatter, mounting and zero shifts come back from cells made with known ones."""

from __future__ import annotations

import math

import numpy as np
import pytest

from calibration.budget.half_loop import half_loop
from calibration.budget.series_effects import mounting, scatter, zero_shifts
from calibration.budget.working_curve import WorkingCurve, working_curve
from calibration.readings.load_series import LoadSeries, load_series
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import iso_csv, pontius_csv


def made(text: str, degree: int = 1) -> tuple[LoadSeries, WorkingCurve]:
    loads = load_series(parse_readings(text), 1)
    return loads, working_curve(loads, half_loop(loads), degree)


def test_scatter_is_least_squares_with_means_constants_and_slopes() -> None:
    """Against numpy's own with one dummy a force and direction, two columns a series."""
    loads, curve = made(
        iso_csv(noise=50.0, loop=0.001, zero_shift=200.0, rotation=(0, 3e-4, 0))
    )
    cell = np.unique(loads.level_of * 3 + loads.direction, return_inverse=True)[1]
    dummies = [(cell == c).astype(float) for c in np.unique(cell)]
    for s in np.unique(loads.series):
        dummies += [(loads.series == s) * 1.0, (loads.series == s) * loads.force]
    design = np.column_stack(dummies)
    residual = curve.residual_kN(loads)
    left = residual - design @ np.linalg.lstsq(design, residual, rcond=None)[0]
    found = scatter(loads, curve)
    assert found.dof == len(loads.force) - np.linalg.matrix_rank(design)
    assert found.sd_kN == pytest.approx(math.sqrt(left @ left / found.dof), rel=1e-6)


def test_scatter_does_not_see_zero_mounting_or_loop() -> None:
    plain = scatter(*made(iso_csv(noise=40.0))).sd_kN
    full = iso_csv(noise=40.0, loop=0.002, zero_shift=500.0, rotation=(0.0, 1e-3, -1e-3))
    assert scatter(*made(full)).sd_kN == pytest.approx(plain, rel=0.02)
    assert plain == pytest.approx(40.0 / 8000.0, rel=0.35)


def test_without_repeats_the_scatter_is_about_the_curve() -> None:
    rows = iso_csv(noise=40.0).splitlines()
    loads, curve = made(
        "\n".join(r for r in rows if r.split(",")[0] in ("series", "X3")) + "\n"
    )
    found = scatter(loads, curve)
    assert "about the curve" in found.basis
    assert found.dof == 9.0
    assert found.sd_kN == pytest.approx(40.0 / 8000.0, rel=0.7)


def test_repeats_without_series_are_repeats() -> None:
    loads, curve = made(pontius_csv(), degree=2)
    assert scatter(loads, curve).dof >= 18.0


def test_mounting_is_told_apart_from_the_zero() -> None:
    """Spread of gains at three positions; a zero that shifts does not widen it."""
    for shift in (0.0, 2000.0):
        loads, curve = made(iso_csv(rotation=(0.0, 4e-4, -4e-4), zero_shift=shift))
        found = mounting(loads, curve)
        assert found.positions == 3
        assert found.spread == pytest.approx(4e-4, rel=1e-2)
        # Ten forces from 50 to 500 kN: root of Σ(F − F̄)² is 454 kN.
        assert found.noise == pytest.approx(1.0 / 454.2, rel=1e-3)


def test_two_positions_differ_and_one_does_not() -> None:
    rows = iso_csv(rotation=(0.0, 4e-4, -4e-4)).splitlines()
    for gone, positions, spread in ((("X5",), 2, 4e-4), (("X3", "X5"), 1, 0.0)):
        text = "\n".join(r for r in rows if r.split(",")[0] not in gone) + "\n"
        found = mounting(*made(text))
        assert found.positions == positions
        assert found.spread == pytest.approx(spread, rel=1e-2, abs=1e-9)


def test_zero_shifts_per_series() -> None:
    loads, _ = made(iso_csv(zero_shift=160.0))
    found = zero_shifts(loads, 1.0 / 8000.0)
    assert found.series == 4
    assert found.rms_kN == found.largest_kN == pytest.approx(0.02)
    unread, _ = made(pontius_csv(), degree=2)
    assert zero_shifts(unread, 1.0).series == 0


@pytest.mark.parametrize(
    ("positions", "places"),
    [((0, 1, 2), 1), ((0, 120, 360), 2), ((0, 355, 120), 2), ((0, 120, 240), 3), ((0, 180, 360), 2),
     ((10, 40, 70), 3), ((350, 10, 100), 2)],
)  # fmt: skip
def test_positions_count_only_where_they_are_apart_on_the_circle(
    positions: tuple[int, int, int], places: int
) -> None:
    text = iso_csv(rotation=(0.0, 2e-4, -2e-4), positions=positions)
    found = mounting(*made(text))
    assert found.positions == places
    # What any two of them differ by stays seen.
    assert found.spread == pytest.approx(2e-4 if places == 3 else 4e-4, rel=1e-2)
