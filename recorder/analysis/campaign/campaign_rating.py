"""The tonnage rating of a campaign, from its measured pull and fitted resistance."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np

from recorder.analysis.campaign.loading import LoadedRun
from recorder.analysis.dynamics.resistance import ResistanceFit
from recorder.analysis.dynamics.tonnage import Rating, balancing_speed_m_s, rate
from recorder.analysis.specification.performance import Band
from recorder.analysis.uncertainty.measured import Measured
from recorder.track.consist.under_train import ruling_grades

__all__ = ["rate_campaign"]


def _curve(held: Sequence[Band]) -> Callable[[float], Measured] | None:
    """Measured equivalent pull at a speed, straight between the mean speeds of the bands."""
    known = [b for b in held if math.isfinite(b.pull.value)]
    if not known:
        return None
    speeds = [b.speed.value for b in known]

    def at(v: float) -> Measured:
        k = int(np.clip(np.searchsorted(speeds, v), 1, max(len(known) - 1, 1)))
        if len(known) == 1:
            return known[0].pull
        low, high = known[k - 1], known[k]
        share = (v - low.speed.value) / (high.speed.value - low.speed.value)
        share = float(np.clip(share, 0.0, 1.0))
        return low.pull.scaled(1.0 - share).plus(high.pull.scaled(share))

    return at


def rate_campaign(
    loaded: LoadedRun,
    held: Sequence[Band],
    fit: ResistanceFit | None,
    notes: list[str],
    *,
    least_speed_m_s: float | None,
    weather: str,
) -> tuple[tuple[Rating, ...], tuple[tuple[float, Measured], ...]]:
    """Ratings over each ruling grade, and the speeds held with the run's own train."""
    judged = [b for b in held if b.margin is not None] or list(held)
    pull = _curve(judged)
    if pull is None or fit is None or loaded.train.locomotive_mass_t is None:
        notes.append("tonnage rating wants a measured pull, a fitted resistance and the mass")
        return (), ()
    speeds = (judged[0].speed.value, judged[-1].speed.value)
    least = least_speed_m_s or speeds[0]
    if not speeds[0] - 1e-9 <= least <= speeds[1] + 1e-9:
        notes.append(
            f"least speed {least * 3.6:.1f} km/h lies outside the measured"
            f" {speeds[0] * 3.6:.1f}-{speeds[1] * 3.6:.1f} km/h: rated at the nearest"
        )
        least = min(max(least, speeds[0]), speeds[1])
    ratings, balancing = [], []
    for grade, bend in _grades(loaded):
        rating = rate(
            pull,
            fit.at,
            loaded.train,
            grade=grade,
            curvature_per_m=bend,
            speed_m_s=least,
            weather=weather,
        )
        if rating is not None:
            ratings.append(rating)
        if loaded.train.trailing_mass_t is not None:
            held_speed = balancing_speed_m_s(
                pull,
                fit.at,
                loaded.train,
                trailing_t=loaded.train.trailing_mass_t,
                grade=grade,
                speeds_m_s=speeds,
            )
            if held_speed is not None:
                balancing.append((grade, held_speed))
    return tuple(ratings), tuple(balancing)


def _grades(loaded: LoadedRun) -> list[tuple[float, float]]:
    """Ruling grades of the route, or a ladder of grades when there is no route."""
    if loaded.route is None:
        return [(g / 1000.0, 0.0) for g in (0.0, 5.0, 10.0, 15.0, 20.0)]
    length = loaded.train.trailing_length_m or 300.0
    facing = (
        -1
        if loaded.trip and loaded.trip.route and (loaded.trip.route.direction == "decreasing")
        else 1
    )
    found = ruling_grades(loaded.route, length, direction=facing, count=5)
    return [(0.0, 0.0), *((g.grade, g.curvature_per_m) for g in found)]
