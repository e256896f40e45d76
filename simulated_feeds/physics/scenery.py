"""Lines that exist nowhere: the demo's, and as many more as there are seeds."""

from __future__ import annotations

from typing import Final

import numpy as np

from simulated_feeds.physics.line import (
    CurveSpec,
    GradeSpec,
    LimitSpec,
    PostSpec,
    SimulatedLine,
    StationSpec,
)

__all__ = ["curve_spec", "demo_line", "invent_line", "post_specs"]

_NAMES = (
    "Vellumbrook", "Orrin Hithe", "Thistledown Quay", "Marrowby", "Quillgate", "Pennywhin",
    "Saltvane", "Hobnail Cross", "Larkspur Nab", "Umberfold", "Cinderwick", "Driftmere",
    "Gossamer End", "Ninefathom", "Tallowhythe", "Wrensby Halt", "Ashlanternford",
    "Cobblestrand", "Foxglove Sidings", "Kettlemoor",
)  # fmt: skip
"""Invented."""


_DEMO_GRADES: Final = (
    GradeSpec(s_m=0.0, slope=0.0),
    GradeSpec(s_m=1650.0, slope=0.0045, vertical_curve_m=120.0),
    GradeSpec(s_m=4200.0, slope=0.0090, vertical_curve_m=120.0),
    GradeSpec(s_m=9100.0, slope=0.0015, vertical_curve_m=160.0),
    GradeSpec(s_m=11_800.0, slope=-0.0070, vertical_curve_m=220.0),
    GradeSpec(s_m=15_900.0, slope=0.0, vertical_curve_m=160.0),
    GradeSpec(s_m=20_300.0, slope=0.0060, vertical_curve_m=140.0),
    GradeSpec(s_m=26_500.0, slope=-0.0035, vertical_curve_m=200.0),
    GradeSpec(s_m=33_000.0, slope=0.0025, vertical_curve_m=120.0),
    GradeSpec(s_m=38_000.0, slope=0.0, vertical_curve_m=100.0),
)
_DEMO_CURVES: Final = (
    (2150.0, 2790.0, 640.0, 1, 60.0),
    (4700.0, 5180.0, 420.0, -1, 60.0),
    (5290.0, 5830.0, 450.0, 1, 60.0),
    (8000.0, 8900.0, 900.0, -1, 80.0),
    (12_400.0, 13_050.0, 560.0, 1, 70.0),
    (17_200.0, 18_400.0, 1400.0, -1, 90.0),
    (22_100.0, 22_700.0, 480.0, 1, 60.0),
    (29_600.0, 30_500.0, 800.0, -1, 80.0),
    (36_100.0, 36_800.0, 600.0, 1, 70.0),
)
"""From, to, radius in m, hand (+1 right), spiral in m."""
_DEMO_LIMITS: Final = (
    LimitSpec(s_m=0.0, end_m=1500.0, speed_km_h=40.0),
    LimitSpec(s_m=1500.0, end_m=4600.0, speed_km_h=60.0),
    LimitSpec(s_m=4600.0, end_m=5900.0, speed_km_h=45.0),
    LimitSpec(s_m=5900.0, end_m=40_500.0, speed_km_h=65.0),
    LimitSpec(s_m=40_500.0, end_m=42_000.0, speed_km_h=35.0),
)
_DEMO_STATIONS: Final = (
    StationSpec(s_m=420.0, name="Vellumbrook"),
    StationSpec(s_m=10_150.0, name="Quillgate"),
    StationSpec(s_m=19_700.0, name="Marrowby"),
    StationSpec(s_m=31_800.0, name="Thistledown Quay"),
    StationSpec(s_m=41_600.0, name="Saltvane"),
)


def demo_line() -> SimulatedLine:
    """Vellumbrook to Saltvane, 42 km: level yard, a climb, a summit, reverse curves, a sag."""
    return SimulatedLine(
        name="Vellumbrook and Saltvane line", length_m=42_000.0, grades=_DEMO_GRADES,
        curves=tuple(curve_spec(*curve) for curve in _DEMO_CURVES), limits=_DEMO_LIMITS,
        stations=_DEMO_STATIONS, posts=post_specs(42_000.0, 560.0, 1000.0, 12.0, 7, 12),
    )  # fmt: skip


def curve_spec(
    s_m: float, end_m: float, radius_m: float, hand: int, spiral_m: float
) -> CurveSpec:
    """A curve with seven tenths of the cant that balances 45 km/h."""
    cant = min(110.0, round(11.8 * 45.0**2 / radius_m * 0.7, -1))
    return CurveSpec(
        s_m=s_m, end_m=end_m, radius_m=radius_m, hand=hand, spiral_m=spiral_m,
        superelevation_mm=cant,
    )  # fmt: skip


def post_specs(
    length_m: float, first_m: float, step_m: float, spread_m: float, seed: int, number: int
) -> tuple[PostSpec, ...]:
    """Posts that are seldom just one step apart, as posts are."""
    rng = np.random.default_rng(seed)
    n = int((length_m - first_m - 3.0 * spread_m) // step_m) + 1
    shift = np.clip(rng.normal(0.0, spread_m, n), -3.0 * spread_m, 3.0 * spread_m)
    shift[0] = 0.0
    places = first_m + step_m * np.arange(n) + np.round(shift, 1)
    return tuple(PostSpec(s_m=float(s), number=number + i) for i, s in enumerate(places))


def invent_line(
    length_km: float = 200.0,
    seed: int = 1,
    *,
    post_step_m: float = 1000.0,
    post_spread_m: float = 8.0,
    steepest: float = 0.009,
) -> SimulatedLine:
    """A line of any length: undulating, curved, limited, posted; the same for the same seed.

    Parameters
    ----------
    length_km
        3 km or more.
    post_step_m, post_spread_m
        Nominal distance of the mileposts, and how far they stand from it (standard deviation).
    steepest
        Slope not exceeded.
    """
    rng = np.random.default_rng(np.random.SeedSequence([seed, 0x11E]))
    length = 1000.0 * length_km
    return SimulatedLine(
        name=f"{_NAMES[seed % len(_NAMES)]} trunk", length_m=length,
        grades=_invent_grades(rng, length, steepest), curves=_invent_curves(rng, length),
        limits=_invent_limits(rng, length), stations=_invent_stations(rng, length),
        posts=post_specs(length, 640.0, post_step_m, post_spread_m, seed, 1),
        latitude_deg=-47.3 + 0.01 * (seed % 40), longitude_deg=-123.6,
        heading_deg=float(rng.uniform(0.0, 360.0)),
    )  # fmt: skip


def _invent_grades(
    rng: np.random.Generator, length: float, steepest: float
) -> tuple[GradeSpec, ...]:
    grades = [GradeSpec(s_m=0.0, slope=0.0)]
    s, height = 1500.0, 0.0
    while s < length - 2500.0:
        # Leaning back towards sea level keeps a long line out of the clouds.
        slope = float(np.clip(rng.normal(-height / 40_000.0, 0.0045), -steepest, steepest))
        slope = round(slope, 5)
        reach = float(np.round(rng.uniform(900.0, 4200.0)))
        if abs(slope - grades[-1].slope) > 2e-4:
            vertical = float(np.clip(40_000.0 * abs(slope - grades[-1].slope), 40.0, 300.0))
            grades.append(GradeSpec(s_m=s, slope=slope, vertical_curve_m=round(vertical)))
        height += slope * reach
        s += reach
    grades.append(GradeSpec(s_m=length - 1200.0, slope=0.0, vertical_curve_m=200.0))
    return tuple(grades)


def _invent_curves(rng: np.random.Generator, length: float) -> tuple[CurveSpec, ...]:
    curves = []
    s = 900.0
    while s < length - 2500.0:
        radius = float(np.round(np.exp(rng.uniform(np.log(420.0), np.log(2400.0)))))
        reach = float(np.round(rng.uniform(260.0, 900.0)))
        curves.append(curve_spec(s, s + reach, radius, int(rng.choice((-1, 1))), 60.0))
        s += reach + float(np.round(rng.uniform(150.0, 2600.0)))
    return tuple(curves)


def _invent_limits(rng: np.random.Generator, length: float) -> tuple[LimitSpec, ...]:
    limits = []
    s = 0.0
    while s < length:
        end = min(length, s + float(np.round(rng.uniform(3000.0, 16_000.0))))
        speed = float(rng.choice((45.0, 55.0, 65.0, 70.0, 75.0)))
        limits.append(LimitSpec(s_m=s, end_m=end, speed_km_h=speed))
        s = end
    return tuple(limits)


def _invent_stations(rng: np.random.Generator, length: float) -> tuple[StationSpec, ...]:
    places = [500.0]
    while places[-1] < length - 24_000.0:
        places.append(places[-1] + float(np.round(rng.uniform(9000.0, 21_000.0))))
    places.append(length - 700.0)
    names = [_NAMES[i % len(_NAMES)] for i in range(len(places))]
    rounds = ["", " Upper", " Nether", " New", " Old", " Far"]
    return tuple(
        StationSpec(s_m=s, name=name + rounds[(i // len(_NAMES)) % len(rounds)])
        for i, (s, name) in enumerate(zip(places, names, strict=True))
    )
