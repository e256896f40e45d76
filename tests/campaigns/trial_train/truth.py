"""Every figure of an answer beside the truth of the same time span."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from recorder.analysis.campaign.answer import CampaignAnswer
from recorder.analysis.campaign.run_answer import RunAnswer
from recorder.analysis.specification.bands import Band
from recorder.analysis.stretches.stretch_results import StretchResult
from recorder.analysis.uncertainty.measured import Measured
from tests.campaigns.trial_train.locomotive import GRAVITY
from tests.campaigns.trial_train.ride import STEP_S, Ride
from tests.campaigns.trial_train.trial import MadeRun

__all__ = ["Check", "checks"]

LEAST_S = 10.0
"""Refused slivers of a run are no figures that anybody reads."""


@dataclass(frozen=True)
class Check:
    """One figure as it was stated, and as it was."""

    figure: str
    value: float
    expanded: float
    truth: float

    @property
    def held(self) -> bool:
        """The truth lies inside the interval."""
        return abs(self.value - self.truth) <= self.expanded


@dataclass(frozen=True)
class _StretchTruth:
    seconds: float
    pull_kN: float
    power_kW: float
    speed_m_s: float
    limit_kN: float


def checks(answer: CampaignAnswer, made: Sequence[MadeRun]) -> list[Check]:
    """All figures that can be compared; those not finite are left out."""
    found = []
    for run, one in zip(answer.runs, made, strict=True):
        found += [*_stretches(run, one), *_energy_balance(run, one), *_moments(run, one)]
    if len(made) == 1:
        found += [*_bands(answer, made[0]), *_starting(answer, made[0])]
    found += _resistance(answer, made)
    return [c for c in found if math.isfinite(c.truth) and math.isfinite(c.value)]


def _check(figure: str, measured: Measured | None, truth: float) -> Iterator[Check]:
    if measured is not None:
        yield Check(figure, measured.value, measured.expanded, truth)


def _of_stretch(result: StretchResult, made: MadeRun) -> _StretchTruth:
    ride, curve = made.ride, made.curve
    t0, t1 = result.stretch.t_start_s, result.stretch.t_end_s
    at = (ride.t_s > t0 - 2 * STEP_S) & (ride.t_s < t1 + 2 * STEP_S)
    t, v, pull = ride.t_s[at], ride.speed_m_s[at], ride.level_pull_kN[at]
    return _StretchTruth(
        seconds=t1 - t0,
        pull_kN=_mean(t, pull, t0, t1),
        power_kW=_mean(t, pull * v, t0, t1),
        speed_m_s=_mean(t, v, t0, t1),
        limit_kN=_mean(t, curve.promised(v), t0, t1),
    )


def _mean(t: NDArray[np.float64], values: NDArray[np.float64], t0: float, t1: float) -> float:
    """Mean from ``t0`` to ``t1`` by the trapezium rule: where the train gains speed, the mean of
    samples at the beginnings of their steps is not it.
    """
    whole = np.concatenate(([0.0], np.cumsum(0.5 * np.diff(t) * (values[1:] + values[:-1]))))
    low, high = np.interp([t0, t1], t, whole)
    return float(high - low) / (min(t1, float(t[-1])) - t0)


def _stretches(run: RunAnswer, made: MadeRun) -> Iterator[Check]:
    for result in run.results:
        if result.stretch.t_end_s - result.stretch.t_start_s < LEAST_S and not result.judged:
            continue
        true = _of_stretch(result, made)
        which = "judged" if result.judged else "refused"
        yield from _check(f"stretch pull, {which}", result.pull, true.pull_kN)
        yield from _check(f"stretch power, {which}", result.power, true.power_kW)
        yield from _check(f"stretch speed, {which}", result.speed, true.speed_m_s)
        if result.judged:
            yield from _check("stretch margin", result.margin, true.pull_kN - true.limit_kN)


def _bands(answer: CampaignAnswer, made: MadeRun) -> Iterator[Check]:
    for band in answer.bands:
        held = [
            r
            for r in answer.runs[0].results
            if band.low_m_s <= r.speed.value < band.high_m_s and r.judged
        ]
        if held and band.margin is not None:
            true = [_of_stretch(r, made) for r in held]
            off = [r.speed.value - t.speed_m_s for r, t in zip(held, true, strict=True)]
            yield from _band(band, true, sum(off) / len(off), made)


def _band(
    band: Band, held: list[_StretchTruth], off_m_s: float, made: MadeRun
) -> Iterator[Check]:
    """A band's figures are means over its stretches with weights of their own: the truth is
    the curve at the band's mean speed, with the bend of the curve and what was not full.

    ``off_m_s`` is by how much the speeds of its stretches are shown too high.
    """
    seconds = np.array([t.seconds for t in held])
    v = np.array([t.speed_m_s for t in held])
    pull, power = np.array([t.pull_kN for t in held]), np.array([t.power_kW for t in held])
    limit = np.array([t.limit_kN for t in held])
    mean_v = np.array([np.average(v, weights=seconds)])
    band_v = np.array([band.speed.value - off_m_s])
    at_mean, at_band = float(made.curve.true(mean_v)[0]), float(made.curve.true(band_v)[0])
    true_pull = at_band + float(np.average(pull, weights=seconds)) - at_mean
    moved = at_band * float(band_v[0]) - at_mean * float(mean_v[0])
    yield from _check("band pull", band.pull, true_pull)
    yield from _check(
        "band power", band.power, float(np.average(power, weights=seconds)) + moved
    )
    yield from _check("band speed", band.speed, float(band_v[0]))
    ratio = float(np.average(pull / limit, weights=seconds)) - 1.0
    yield from _check("band margin", band.margin, ratio * band.limit_kN)


def _energy_balance(run: RunAnswer, made: MadeRun) -> Iterator[Check]:
    ride, train, balance = made.ride, made.train, run.energy_balance
    # Forces hold over a step; the way of a step is that of the ride, to the last millimetre.
    metres = np.diff(ride.metres, append=ride.metres[-1])
    work = ride.pull_kN * metres
    yield from _check("draft work", balance.draft_work, float(work[work > 0.0].sum()))
    yield from _check("total work", balance.total_work, float(work.sum()))
    series = run.loaded.series
    free = np.interp(ride.t_s, series.t_s, (~run.braked).astype(float)) > 0.5
    load = train.true_load_t
    inertia = load * (1.0 + train.true_load_rotary)
    rise = load * GRAVITY * float((ride.load_grade * metres)[free].sum())
    yield from _check("potential energy", balance.potential, rise)
    gained = inertia * float((ride.acceleration_m_s2 * metres)[free].sum())
    yield from _check("kinetic energy", balance.kinetic, gained)
    yield from _check(
        "curve work", balance.curve, float((ride.load_curve_kN * metres)[free].sum())
    )
    yield from _check(
        "rolling work", balance.rolling, float((ride.rolling_kN * metres)[free].sum())
    )
    if balance.closes is not None and balance.unaccounted is not None:
        yield from _check("energy unaccounted", balance.unaccounted, 0.0)


def _moments(run: RunAnswer, made: MadeRun) -> Iterator[Check]:
    ride = made.ride
    power = ride.pull_kN * ride.speed_m_s
    for peak in run.peaks:
        values = ride.pull_kN if peak.value.unit == "kN" else power
        truth = _mean(ride.t_s, values, peak.t_start_s, peak.t_start_s + peak.seconds)
        yield from _check(f"peak {peak.seconds:.0f} s, {peak.value.unit}", peak.value, truth)
    for start in run.starts:
        last = _last_standing(ride, start.t_start_s)
        if last is None:
            continue
        yield from _check("breakaway pull", start.breakaway_pull, float(ride.pull_kN[last - 1]))
        yield from _check("greatest starting pull", start.greatest_pull, _greatest(ride, last))
    for stop in run.stops:
        yield from _stop(stop.t_start_s, stop.distance, stop.speed, made)


def _last_standing(ride: Ride, t_s: float) -> int | None:
    """Row of the last standing step before a start that was seen at about an instant."""
    near = np.flatnonzero((np.abs(ride.t_s - t_s) < 8.0) & ~(ride.speed_m_s > 0.0))
    return int(near[-1]) if len(near) and near[-1] >= 4 else None


def _starting(answer: CampaignAnswer, made: MadeRun) -> Iterator[Check]:
    """The pull that is judged, beside that of the start which read highest."""
    starts = answer.runs[0].starts
    if not starts:
        return
    picked = max(starts, key=lambda s: s.greatest_pull.value)
    last = _last_standing(made.ride, picked.t_start_s)
    if last is not None:
        truth = _greatest(made.ride, last)
        yield from _check("starting pull of the run", answer.starting, truth)


def _greatest(ride: Ride, last: int) -> float:
    """Highest mean over a second from half a second before the last standing step to when 2 m/s
    is reached, by the trapezium rule: while the throttle is opened, the mean of samples at the
    beginnings of their steps is some kilonewtons too low. NaN if it never is reached.
    """
    t, speed = ride.t_s[last - 2 :], ride.speed_m_s[last - 2 :]
    above = np.flatnonzero(speed > 2.0)
    if not len(above):
        return math.nan
    k = int(above[0])
    end = float(np.interp(2.0, speed[k - 1 : k + 1], t[k - 1 : k + 1]))
    ends = np.arange(end, t[0] + 1.0, -STEP_S / 2.0)
    return max(_mean(t, ride.pull_kN[last - 2 :], e - 1.0, e) for e in ends)


def _stop(t_s: float, distance: Measured, speed: Measured, made: MadeRun) -> Iterator[Check]:
    ride = made.ride
    began = np.flatnonzero(np.diff((ride.brake_kN > 0.0).astype(int)) > 0) + 1
    if not len(began):
        return
    first = int(began[np.argmin(np.abs(ride.t_s[began] - t_s))])
    rest = np.flatnonzero(ride.speed_m_s[first:] <= 0.0)
    if not len(rest):
        return
    metres = float(ride.metres[first + int(rest[0])] - ride.metres[first])
    yield from _check("stop distance", distance, metres)
    yield from _check("speed at the brake", speed, float(ride.speed_m_s[first]))


def _resistance(answer: CampaignAnswer, made: Sequence[MadeRun]) -> Iterator[Check]:
    fit = answer.resistance.fit
    if fit is None or len(made) > 1:
        return
    a, b, c = made[0].train.resistance
    for term, truth in (("A", a), ("B", b), ("C", c)):
        stated = fit.coefficients.get(term)
        # A term that was dropped is stated as nothing, surely.
        stated = stated or Measured(0.0, "")
        yield from _check(f"resistance {term}", stated, truth)
    low, high = fit.speed_km_h
    for v in (20.0, 40.0, 60.0, 80.0):
        if low <= v <= high:
            yield from _check(f"resistance at {v:.0f} km/h", fit.at(v), a + b * v + c * v * v)
