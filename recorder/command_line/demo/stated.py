"""Every figure of an answer whose truth is known, with that truth beside it.

A figure is told to hold its truth when that lies inside the stated interval of 95 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.dynamics.stops_and_starts import STARTED_M_S
from recorder.analysis.dynamics.tonnage import WEATHER
from recorder.analysis.specification.bands import weight_of
from recorder.command_line.demo.true_day import Rate, Work

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.campaign.run_answer import RunAnswer
    from recorder.analysis.dynamics.consumption import Consumption
    from recorder.analysis.dynamics.stops_and_starts import StopTest
    from recorder.analysis.specification.bands import Band
    from recorder.analysis.stretches.stretch_results import StretchResult
    from recorder.analysis.uncertainty.measured import Measured
    from recorder.command_line.demo.true_day import TrueDay

__all__ = ["FigureKind", "Stated", "stated_figures"]

SPEEDS_KM_H: Final = (20.0, 30.0, 40.0, 50.0, 60.0)
"""At which the resistance is held against its truth."""


class FigureKind(StrEnum):
    """What a figure is of; figures of one kind are counted together."""

    BAND_MARGIN = "margin of a band"
    BAND_PULL = "pull of a band"
    BAND_POWER = "power of a band"
    BAND_SPEED = "speed of a band"
    STARTING = "starting pull"
    SECTION_PULL = "pull of a test section"
    SECTION_POWER = "power of a test section"
    SECTION_SPEED = "speed of a test section"
    RESISTANCE = "train resistance"
    RATING = "tonnage rating"
    BALANCING = "balancing speed"
    WORK = "work"
    MASS = "trailing mass"
    PEAKS = "highest means"
    STARTS = "starts"
    STOPS = "stops"
    USED = "fuel and water"

    @property
    def of_test_section(self) -> bool:
        """Whether it is one of a single test section, not of the whole day."""
        return self in {self.SECTION_PULL, self.SECTION_POWER, self.SECTION_SPEED}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """One figure as the report states it, and as it truly was."""

    kind: FigureKind
    name: str
    unit: str
    value: float
    expanded: float
    truth: float

    @property
    def holds(self) -> bool:
        """The truth lies inside the stated interval."""
        return abs(self.value - self.truth) <= self.expanded


def stated_figures(answer: CampaignAnswer, true: TrueDay) -> list[Stated]:
    """All that can be compared, in the order of the report; what is not finite is left out."""
    (run,) = answer.runs
    found = [
        *_bands(answer, run, true), *_starting(answer, run, true), *_stretches(run, true),
        *_resistance(answer, true), *_rating(answer, true), *_work(run, true),
        *_peaks(run, true), *_starts(run, true), *_stops(run, true), *_used(run, true),
    ]  # fmt: skip
    return [s for s in found if math.isfinite(s.value + s.expanded + s.truth)]


def _held(
    kind: FigureKind, name: str, figure: Measured | None, truth: float | None
) -> Iterator[Stated]:
    # A figure without a cause of uncertainty states no interval.
    if figure is None or truth is None or not figure.expanded > 0.0:
        return
    yield Stated(
        kind=kind, name=name, unit=figure.unit, value=float(figure.value),
        expanded=float(figure.expanded), truth=float(truth),
    )  # fmt: skip


def _margin(answer: CampaignAnswer, result: StretchResult, true: TrueDay) -> float:
    """True pull less what was specified at the true speeds, kN."""
    if answer.specification is None:
        return math.nan
    t0, t1 = result.stretch.t_start_s, result.stretch.t_end_s
    asked = answer.specification.limits_kN(true.speeds_between(t0, t1))
    return true.mean(Rate.LEVEL, t0, t1) - float(np.mean(asked))


def _bands(answer: CampaignAnswer, run: RunAnswer, true: TrueDay) -> Iterator[Stated]:
    """A band's figures are means over its test sections, each with its weight."""
    for band in answer.bands:
        judged = [
            r for r in run.results
            if r.judged and band.low_m_s <= r.speed.value < band.high_m_s
        ]  # fmt: skip
        if judged and band.margin is not None:
            yield from _band(answer, band, judged, true)


def _band(
    answer: CampaignAnswer, band: Band, judged: list[StretchResult], true: TrueDay
) -> Iterator[Stated]:
    weights = [weight_of(r) for r in judged]
    spans = [(r.stretch.t_start_s, r.stretch.t_end_s) for r in judged]

    def over(values: list[float]) -> float:
        return float(np.average(values, weights=weights))

    where = f"at {band.name}"
    margin = over([_margin(answer, r, true) for r in judged])
    yield from _held(FigureKind.BAND_MARGIN, f"margin {where}", band.margin, margin)
    pull = over([true.mean(Rate.LEVEL, *span) for span in spans])
    yield from _held(FigureKind.BAND_PULL, f"equivalent pull {where}", band.pull, pull)
    power = over([true.mean(Rate.LEVEL_POWER, *span) for span in spans])
    yield from _held(FigureKind.BAND_POWER, f"equivalent power {where}", band.power, power)
    speed = over([true.mean_speed(*span) for span in spans])
    yield from _held(FigureKind.BAND_SPEED, f"mean speed {where}", band.speed, speed)


def _starting(answer: CampaignAnswer, run: RunAnswer, true: TrueDay) -> Iterator[Stated]:
    if run.starts:
        start = max(run.starts, key=lambda s: s.greatest_pull.value)
        truth = true.greatest_start_kN(start.t_start_s, STARTED_M_S)
        yield from _held(FigureKind.STARTING, "starting pull", answer.starting, truth)


def _stretches(run: RunAnswer, true: TrueDay) -> Iterator[Stated]:
    for result in run.results:
        if not result.admission.admitted:
            continue
        span = (result.stretch.t_start_s, result.stretch.t_end_s)
        where = f"in the test section from {span[0]:.0f} to {span[1]:.0f} s"
        yield from _held(
            FigureKind.SECTION_PULL, f"equivalent pull {where}", result.pull,
            true.mean(Rate.LEVEL, *span),
        )  # fmt: skip
        yield from _held(
            FigureKind.SECTION_POWER, f"equivalent power {where}", result.power,
            true.mean(Rate.LEVEL_POWER, *span),
        )  # fmt: skip
        yield from _held(
            FigureKind.SECTION_SPEED, f"mean speed {where}", result.speed,
            true.mean_speed(*span),
        )  # fmt: skip


def _resistance(answer: CampaignAnswer, true: TrueDay) -> Iterator[Stated]:
    fit = answer.resistance.fit
    if fit is None:
        return
    low, high = fit.speed_km_h
    for v in SPEEDS_KM_H:
        if low <= v <= high:
            yield from _held(
                FigureKind.RESISTANCE, f"train resistance at {v:.0f} km/h", fit.at(v),
                true.resistance_N_per_t(v),
            )  # fmt: skip


def _rating(answer: CampaignAnswer, true: TrueDay) -> Iterator[Stated]:
    for rating in answer.rating.ratings:
        truth = true.load_t(rating.grade, abs(rating.curvature_per_m), rating.speed_m_s)
        yield from _held(
            FigureKind.RATING, f"trailing load on {100 * rating.grade:.2f} %",
            rating.trailing_t, WEATHER[rating.weather] * truth,
        )  # fmt: skip
    for held in answer.rating.balancing:
        yield from _held(
            FigureKind.BALANCING, f"balancing speed on {100 * held.grade:.2f} %", held.speed,
            true.balanced_m_s(held.grade),
        )  # fmt: skip


def _work(run: RunAnswer, true: TrueDay) -> Iterator[Stated]:
    """Work and its balance over the very bins that the report has them of."""
    series, balance = run.loaded.series, run.energy_balance
    edges = np.append(series.t_s - 0.5 * series.step_s, series.t_s[-1] + 0.5 * series.step_s)
    known = np.isfinite(series.sound_pull_kN * series.speed_m_s)
    free = known & ~run.braked
    work = true.done(Work.WORK, edges)
    pulled = ~(series.sound_pull_kN < 0.0)
    sums = (
        ("work while pulling", balance.draft_work, work[known & pulled]),
        ("work while pushed", balance.buff_work, work[known & ~pulled]),
        ("work at the drawbar", balance.total_work, work[known]),
        ("work of height", balance.potential, true.done(Work.GRADE, edges)[free]),
        ("work of curves", balance.curve, true.done(Work.CURVE, edges)[free]),
        ("work of rolling", balance.rolling, true.done(Work.ROLLING, edges)[free]),
    )
    for name, figure, parts in sums:
        yield from _held(FigureKind.WORK, name, figure, float(parts.sum()))
    yield from _held(
        FigureKind.WORK, "work of speed", balance.kinetic, _gained(true, edges, free)
    )
    yield from _held(FigureKind.WORK, "work unaccounted for", balance.unaccounted, 0.0)
    if run.mass_check is not None:
        found = run.mass_check.estimate.joined
        yield from _held(FigureKind.MASS, "trailing mass by the run", found, true.trailing_t)


def _gained(true: TrueDay, edges: NDArray[np.float64], free: NDArray[np.bool_]) -> float:
    """Energy of motion gained over the unbroken parts of the free running, kJ."""
    turns = np.flatnonzero(np.diff(free.astype(np.int8), prepend=0, append=0))
    energy = true.kinetic_kJ(edges[turns])
    return float(energy[1::2].sum() - energy[::2].sum())


def _peaks(run: RunAnswer, true: TrueDay) -> Iterator[Stated]:
    for peak in run.peaks:
        what = Rate.PULL if peak.value.unit == "kN" else Rate.POWER
        truth = true.mean(what, peak.t_start_s, peak.t_start_s + peak.seconds)
        yield from _held(FigureKind.PEAKS, peak.name, peak.value, truth)


def _starts(run: RunAnswer, true: TrueDay) -> Iterator[Stated]:
    for i, start in enumerate(run.starts, 1):
        greatest = true.greatest_start_kN(start.t_start_s, STARTED_M_S)
        yield from _held(
            FigureKind.STARTS, f"greatest pull of start {i}", start.greatest_pull, greatest
        )
        breakaway = true.breakaway_kN(start.t_start_s)
        yield from _held(
            FigureKind.STARTS, f"breakaway pull of start {i}", start.breakaway_pull, breakaway
        )


def _stops(run: RunAnswer, true: TrueDay) -> Iterator[Stated]:
    for i, stop in enumerate(run.stops, 1):
        was = true.stop_from(stop.t_start_s)
        if was is not None:
            yield from _stop(i, stop, was)


def _stop(i: int, stop: StopTest, was: tuple[float, float, float]) -> Iterator[Stated]:
    speed, metres, seconds = was
    of = f"of stop {i}"
    yield from _held(FigureKind.STOPS, f"speed at the brake {of}", stop.speed, speed)
    yield from _held(FigureKind.STOPS, f"distance {of}", stop.distance, metres)
    yield from _held(FigureKind.STOPS, f"time {of}", stop.duration, seconds)
    yield from _held(
        FigureKind.STOPS, f"retardation {of}", stop.retardation, speed**2 / (2.0 * metres)
    )


def _used(run: RunAnswer, true: TrueDay) -> Iterator[Stated]:
    for used in (run.fuel, run.water):
        if used is not None:
            yield from _consumed(used, true)


def _consumed(used: Consumption, true: TrueDay) -> Iterator[Stated]:
    span = (used.t_start_s, used.t_end_s)
    truth = true.used(str(used.kind), *span)
    yield from _held(FigureKind.USED, f"{used.kind} used", used.used, truth)
    per_kWh = truth / true.drawn_kWh(*span)
    yield from _held(FigureKind.USED, f"{used.kind} a drawbar kWh", used.per_kWh, per_kWh)
