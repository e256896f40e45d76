"""Degrees of curve and curve resistance."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.track.route.geometry import (
    curve_resistance_N_per_kN,
    radius_from_degree,
)

# Degree, radius in feet by a 100 ft chord (railroads) and by a 100 ft arc (highways). The two
# definitions are from memory; the radii are computed from them:
# 50/sin(D/2) and 18000/(pi D).
RADII_FT = [
    (0.5, 11459.192, 11459.156),
    (1, 5729.651, 5729.578),
    (2, 2864.934, 2864.789),
    (3, 1910.078, 1909.859),
    (4, 1432.685, 1432.394),
    (5, 1146.279, 1145.916),
    (6, 955.366, 954.930),
    (8, 716.779, 716.197),
    (10, 573.686, 572.958),
    (12, 478.339, 477.465),
    (15, 383.065, 381.972),
    (20, 287.939, 286.479),
]


@pytest.mark.parametrize(("degree", "chord_ft", "arc_ft"), RADII_FT)
def test_degree_of_curve_by_both_definitions(
    degree: float, chord_ft: float, arc_ft: float
) -> None:
    chord_m, arc_m = radius_from_degree(degree, "chord"), radius_from_degree(degree, "arc")
    assert float(chord_m) / 0.3048 == pytest.approx(chord_ft, abs=6e-4)
    assert float(arc_m) / 0.3048 == pytest.approx(arc_ft, abs=6e-4)


def test_curve_resistance_is_eight_tenths_of_a_pound_per_ton_per_degree() -> None:
    # 0.8 lb per short ton per degree (AREA, and US Army TR0603): 0.4 N/kN per degree.
    radius = radius_from_degree(np.array([1.0, 2.5, 10.0]), "arc")
    lb_per_ton = curve_resistance_N_per_kN(1.0 / radius) * 2.0
    assert lb_per_ton == pytest.approx([0.8, 2.0, 8.0], rel=1e-12)
    assert float(curve_resistance_N_per_kN(-1.0)) == pytest.approx(698.55, abs=0.005)


@pytest.mark.parametrize("degree", [0.0, -1.0, float("nan"), 181.0])
def test_an_impossible_degree_is_refused(degree: float) -> None:
    with pytest.raises(ValueError, match="degree of curve"):
        radius_from_degree(degree)
