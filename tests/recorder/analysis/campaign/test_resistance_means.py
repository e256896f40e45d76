"""What is called measured is measured: means of the pieces, with their scatter."""

from __future__ import annotations

import math

import numpy as np
import pytest

from recorder.analysis.campaign.campaign_resistance import ResistanceObservation
from recorder.analysis.campaign.resistance_means import measured_resistance
from recorder.analysis.dynamics.shared_errors import Where
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured

MASS = UncertaintyCause(CauseKind.MASS, "train")


def piece(speed_km_h: float, value: float, *, at_m: float = 0.0) -> ResistanceObservation:
    where = Where(
        run="monday", line="line", metres=(at_m, at_m + 100.0), seconds=(0.0, 10.0),
        u_grade_N_per_t=2.0, grade_length_m=500.0, pull_N_per_t=100.0, u_inertia_N_per_t=0.0,
    )  # fmt: skip
    return ResistanceObservation(
        run="monday", speed_km_h=speed_km_h, speed_variance=0.0,
        resistance=Measured(value, "N/t", {MASS: 0.3}), where=where,
        wheel=UncertaintyCause(CauseKind.WHEEL, "W"), wheel_rel_u=0.0, span=slice(0, 10),
        asked_N_per_t=0.0,
    )  # fmt: skip


def test_means_scatter_and_what_pieces_share() -> None:
    """Standard uncertainty by hand: scatter 1/√3 of the mean of 20, 21, 22 (sd 1), the survey's
    2 N/t over two lengths of line, 0.3 N/t of a mass that all share, in quadrature."""
    pieces = [piece(21.0, 20.0), piece(22.0, 21.0), piece(24.0, 22.0, at_m=600.0)]
    (found,) = measured_resistance([*pieces], 5.0)
    assert (found.low_km_h, found.high_km_h, found.pieces) == (20.0, 25.0, 3)
    assert found.speed_km_h == pytest.approx(67.0 / 3.0)
    assert found.resistance is not None
    assert found.resistance.value == pytest.approx(21.0)
    by_hand = math.sqrt(1.0 / 3.0 + 4.0 / 2.0 + 0.3**2)
    assert found.resistance.u == pytest.approx(by_hand)


def test_one_piece_alone_has_no_mean() -> None:
    low, high = measured_resistance([piece(11.0, 20.0), piece(41.0, 30.0)], 5.0)
    assert (low.low_km_h, high.low_km_h) == (10.0, 40.0)
    assert low.resistance is None


def test_the_interval_holds_the_truth_about_as_often_as_it_says() -> None:
    """Drawn scatter and slope errors: 95 of 100 within a binomial's reach."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(400):
        grade = rng.normal(0.0, 2.0, 8)
        drawn = [
            piece(22.0, 25.0 + grade[i] + rng.normal(0.0, 1.0), at_m=1000.0 * i)
            for i in range(8)
        ]
        (found,) = measured_resistance(drawn, 5.0)
        assert found.resistance is not None
        held += abs(found.resistance.value - 25.0) <= found.resistance.expanded
    assert held >= 372  # 95 % of 400 less three standard deviations of the count
