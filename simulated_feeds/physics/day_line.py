"""The line of the trial day: 62 km that exist nowhere, as surveyed and as it truly lies.

Its grades are chosen for a trial: climbs long enough that full throttle is held for minutes at
every speed from 20 to 65 km/h, with stations before two of them.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from simulated_feeds.physics.line import GradeSpec, LimitSpec, SimulatedLine, StationSpec
from simulated_feeds.physics.scenery import curve_spec, post_specs

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["as_it_lies", "day_line"]

LENGTH_M: Final = 62_000.0
_VERTICAL_M: Final = 200.0
_SLOPES: Final = (
    (0.0, 0.0), (1600.0, 0.004), (6500.0, 0.009), (10_500.0, 0.0), (12_200.0, 0.0115),
    (15_400.0, -0.004), (18_700.0, 0.0045), (24_000.0, 0.007), (28_000.0, 0.0),
    (29_600.0, -0.008), (34_200.0, 0.002), (38_000.0, 0.0055), (43_200.0, 0.0),
    (45_300.0, 0.0105), (48_600.0, -0.006), (51_800.0, 0.0), (53_400.0, 0.008), (57_000.0, 0.0),
)  # fmt: skip
"""From where, and rise over run."""
_CURVES: Final = (
    (3200.0, 3900.0, 1400.0, 1, 80.0),
    (7900.0, 8500.0, 1100.0, -1, 80.0),
    (11_050.0, 11_350.0, 620.0, 1, 60.0),
    (13_300.0, 13_900.0, 900.0, 1, 70.0),
    (16_500.0, 17_300.0, 700.0, -1, 70.0),
    (20_400.0, 21_500.0, 1800.0, 1, 90.0),
    (25_600.0, 26_300.0, 1000.0, -1, 80.0),
    (31_000.0, 31_900.0, 640.0, 1, 70.0),
    (34_900.0, 35_500.0, 420.0, -1, 60.0),
    (35_600.0, 36_200.0, 450.0, 1, 60.0),
    (40_200.0, 41_000.0, 1300.0, -1, 80.0),
    (46_700.0, 47_300.0, 950.0, 1, 70.0),
    (50_000.0, 50_800.0, 720.0, -1, 70.0),
    (54_600.0, 55_300.0, 1200.0, 1, 80.0),
    (59_000.0, 59_600.0, 600.0, -1, 60.0),
)
"""From, to, radius in m, hand (+1 right), spiral in m."""
_LIMITS: Final = (
    LimitSpec(s_m=0.0, end_m=1300.0, speed_km_h=40.0),
    LimitSpec(s_m=1300.0, end_m=29_600.0, speed_km_h=80.0),
    LimitSpec(s_m=29_600.0, end_m=34_600.0, speed_km_h=60.0),
    LimitSpec(s_m=34_600.0, end_m=36_300.0, speed_km_h=45.0),
    LimitSpec(s_m=36_300.0, end_m=48_600.0, speed_km_h=75.0),
    LimitSpec(s_m=48_600.0, end_m=60_300.0, speed_km_h=65.0),
    LimitSpec(s_m=60_300.0, end_m=62_000.0, speed_km_h=35.0),
)
_STATIONS: Final = (
    StationSpec(s_m=700.0, name="Orrin Hithe"),
    StationSpec(s_m=11_900.0, name="Larkspur Nab"),
    StationSpec(s_m=28_900.0, name="Hobnail Cross"),
    StationSpec(s_m=44_900.0, name="Cinderwick"),
    StationSpec(s_m=53_000.0, name="Gossamer End"),
    StationSpec(s_m=61_000.0, name="Foxglove Sidings"),
)
_CLEAR_M: Final = 30.0
"""Least distance of an error's edge from a vertical curve."""


def day_line() -> SimulatedLine:
    """Orrin Hithe to Foxglove Sidings as it was surveyed."""
    grades = tuple(
        GradeSpec(s_m=s, slope=slope, vertical_curve_m=_VERTICAL_M if s > 0.0 else 0.0)
        for s, slope in _SLOPES
    )
    return SimulatedLine(
        name="Orrin Hithe and Foxglove line", length_m=LENGTH_M, grades=grades,
        curves=tuple(curve_spec(*curve) for curve in _CURVES), limits=_LIMITS,
        stations=_STATIONS, posts=post_specs(LENGTH_M, 820.0, 1000.0, 10.0, 61, 3),
        latitude_deg=-46.80, longitude_deg=-124.20, heading_deg=38.0,
    )  # fmt: skip


def as_it_lies(
    surveyed: SimulatedLine, rng: np.random.Generator, *, u_grade: float, length_m: float
) -> SimulatedLine:
    """The line as it truly lies: each ``length_m`` of it by an error of its own off the survey.

    ``u_grade`` is the standard deviation of these errors, rise over run.
    """
    pieces = int(surveyed.length_m / length_m) + 2
    shift = float(rng.uniform(0.0, length_m))
    errors = rng.normal(0.0, u_grade, pieces)

    def error(s_m: float) -> float:
        return float(errors[int((s_m + shift) // length_m)])

    edges = length_m * np.arange(1, pieces) - shift
    known = _with_breaks(surveyed.grades, edges[edges < surveyed.length_m - _CLEAR_M].tolist())
    grades = [replace(g, slope=g.slope + error(g.s_m + 1e-6)) for g in known]
    return replace(surveyed, grades=tuple(grades))


def _with_breaks(grades: Sequence[GradeSpec], edges: Sequence[float]) -> list[GradeSpec]:
    """The grades parted at edges that lie clear of every vertical curve."""
    reach = [(g.s_m, 0.5 * g.vertical_curve_m + _CLEAR_M) for g in grades]
    added = [
        replace(max((g for g in grades if g.s_m < s), key=lambda g: g.s_m), s_m=s,
                vertical_curve_m=0.0)
        for s in edges if all(abs(s - at) > clear for at, clear in reach)
    ]  # fmt: skip
    return sorted([*grades, *added], key=lambda g: g.s_m)
