"""The tonnage rating of a campaign, from its measured pull and fitted resistance."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import KM_H_PER_M_S
from calibration.quantities.sentence import amount, between, say
from calibration.quantities.units import exact_ratio
from recorder.analysis.dynamics.tonnage import Rating, balancing_speed_m_s, rate
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured
from recorder.track.consist.under_train import ruling_grades

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.analysis.dynamics.resistance import ResistanceFit
    from recorder.analysis.specification.bands import Band

__all__ = ["BalancingSpeed", "CampaignRating", "pull_curve", "rate_campaign"]

LADDER: Final = (0.0, 0.005, 0.010, 0.015, 0.020)
"""Grades rated when there is no route."""
USUAL_LENGTH_M: Final = 300.0
"""Of a train whose sheet gives none: a ruling grade is a mean over its length."""
MOST_GRADES: Final = 5
AXLE_N: Final = 29.0 * exact_ratio("lbf", "N")
"""Of one axle, by Davis (1926)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BalancingSpeed:
    """What the locomotive holds on a grade with the train of the first run."""

    grade: float
    speed: Measured
    """m/s"""


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignRating:
    """Loads over each grade, and speeds held."""

    ratings: tuple[Rating, ...] = ()
    balancing: tuple[BalancingSpeed, ...] = ()
    not_climbed: tuple[float, ...] = ()
    """Grades (fractions) over which no load can be rated."""
    car_factor_t: float | None = None
    """Tonnes that an axle adds to the adjusted tonnage of its car."""


def rate_campaign(
    run: LoadedRun,
    bands: Sequence[Band],
    fit: ResistanceFit | None,
    notes: list[str],
    *,
    minimum_speed_m_s: float | None,
    weather: str,
) -> CampaignRating:
    """Ratings over each ruling grade, and the speeds held with the run's own train."""
    judged = [b for b in bands if b.admitted]
    pull = pull_curve(judged)
    if pull is None or fit is None or run.train.locomotive.mass_t is None:
        wants = "a measured pull, a fitted resistance and the locomotive's mass"
        why = "no test section was admitted to judgement" if not judged else f"it wants {wants}"
        notes.append(f"tonnage cannot be rated: {why}")
        return CampaignRating()
    speeds = (judged[0].speed.value, judged[-1].speed.value)
    least = _minimum_speed(minimum_speed_m_s or speeds[0], speeds, notes)
    ratings, balancing, not_climbed = [], [], []
    for grade, bend in _grades(run):
        rating = rate(
            pull,
            fit.at,
            run.train,
            grade=grade,
            curvature_per_m=bend,
            speed_m_s=least,
            weather=weather,
        )
        ratings += [] if rating is None else [rating]
        not_climbed += [grade] if rating is None else []
        held = balancing_speed_m_s(pull, fit.at, run.train, grade=grade, speeds_m_s=speeds)
        if held is not None:
            balancing.append(BalancingSpeed(grade=grade, speed=held))
    return CampaignRating(
        ratings=tuple(ratings),
        balancing=tuple(balancing),
        not_climbed=tuple(not_climbed),
        car_factor_t=_car_factor_t(run, fit, least),
    )


def _car_factor_t(run: LoadedRun, fit: ResistanceFit, speed_m_s: float) -> float | None:
    """Adjusted tonnage: the tonnes whose rolling resistance equals what each axle adds by itself.

    The part of journal resistance that goes by the axle and not by the tonne is 29 lb per axle
    (W. J. Davis, General Electric Review 29, 1926); here over the fitted resistance of a tonne.
    ``None`` when the axles are not known.
    """
    if run.train.trailing.axles is None:
        return None
    per_t = fit.at(speed_m_s * KM_H_PER_M_S).value
    return AXLE_N / per_t if per_t > 0.0 else None


def pull_curve(bands: Sequence[Band]) -> Callable[[float], Measured] | None:
    """Measured equivalent pull at a speed between the mean speeds of the bands."""
    known = [b for b in bands if math.isfinite(b.pull.value)]
    if not known:
        return None
    speeds = [b.speed.value for b in known]

    def at(v: float) -> Measured:
        if len(known) == 1:
            return known[0].pull
        k = int(np.clip(np.searchsorted(speeds, v), 1, len(known) - 1))
        return _between(known[k - 1], known[k], float(np.clip(v, speeds[k - 1], speeds[k])))

    return at


def _between(low: Band, high: Band, v: float) -> Measured:
    """Midway between the chord and a power of the speed, either of which it may be: a chord lies
    above a pull that falls as power over speed does, and below one that adhesion holds level.
    """
    v0, v1 = low.speed.value, high.speed.value
    share = (v - v0) / (v1 - v0)
    chord = low.pull.scaled(1.0 - share).plus(high.pull.scaled(share))
    if not min(low.pull.value, high.pull.value, v0) > 0.0:
        return chord
    along = math.log(v / v0) / math.log(v1 / v0)
    apart = low.pull.value * (high.pull.value / low.pull.value) ** along - chord.value
    shape = UncertaintyCause(CauseKind.MISFIT, "of the pull between speed bands")
    # Either end is as likely as what lies between: rectangular.
    return chord.shifted(0.5 * apart).with_part(shape, abs(apart) / (2.0 * math.sqrt(3.0)))


def _minimum_speed(wanted: float, speeds: tuple[float, float], notes: list[str]) -> float:
    """The speed to rate at, inside the measured ones."""
    slow, fast = speeds
    if not slow - 1e-9 <= wanted <= fast + 1e-9:
        notes.append(
            say(
                "the minimum speed of the rating, ",
                amount(wanted * KM_H_PER_M_S, "km/h", 1),
                ", lies outside the measured ",
                between(slow * KM_H_PER_M_S, fast * KM_H_PER_M_S, "km/h", 1),
                ": rated at the nearest",
            )
        )
        return min(max(wanted, slow), fast)
    return wanted


def _grades(run: LoadedRun) -> list[tuple[float, float]]:
    """Ruling grades of the route, or a ladder of grades when there is no route."""
    if run.route is None:
        return [(grade, 0.0) for grade in LADDER]
    length = run.train.trailing.length_m or USUAL_LENGTH_M
    sheet = None if run.trip is None else run.trip.route
    facing = -1 if sheet is not None and sheet.direction == "decreasing" else 1
    found = ruling_grades(run.route, length, direction=facing, count=MOST_GRADES)
    return [(0.0, 0.0), *((g.grade, g.curvature_per_m) for g in found)]
