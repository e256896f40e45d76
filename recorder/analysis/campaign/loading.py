"""From a run file to a series on one grid, with the evidence of its instruments."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.quantities import flags as flag_bits
from calibration.speed.slip import flag_slip
from recorder.analysis.series.corrections import Switches
from recorder.analysis.series.series import (
    Series,
    bin_fast,
    bin_slow,
    blank_gaps,
    derive_motion,
    grid,
)
from recorder.analysis.series.train import Assumed, Train, train_from_sheet
from recorder.analysis.series.wind import course_deg
from recorder.analysis.specification.performance import Specification
from recorder.analysis.specification.sheet_curve import specification_of
from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty
from recorder.analysis.uncertainty.instruments import (
    evidence_of,
    with_wheel,
)
from recorder.analysis.uncertainty.shunt import without_shunt
from recorder.analysis.uncertainty.zero import with_zero_drift, zero_drift_kN
from recorder.marks.kinds import Kind
from recorder.marks.mark import Mark, unread
from recorder.marks.values import GradeMark
from recorder.track.consist.train_shape import TrainShape
from recorder.track.consist.under_train import UnderTrain

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.run.gap import Gap
    from recorder.run_file.hdf5.devices import Channel
    from recorder.run_file.hdf5.reader import RunFile
    from recorder.sheets import TripSheet
    from recorder.track.route.route import Route

__all__ = ["LoadedRun", "Place", "load_run"]

PIECE: Final = 262_144
FINEST_S: Final = 0.1
FAST_PER_BIN: Final = 4
"""A channel with at least this many samples a bin is averaged; a slower one is integrated."""
UNKNOWN_GRADE: Final = 0.002
"""Standard uncertainty of the slope (0.2 %) when no route, column or mark gives one."""
MARKED_GRADE: Final = 0.0005


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where the car was: chainage of the run on the route."""

    t_s: NDArray[np.float64]
    chainage_m: NDArray[np.float64]
    u_m: NDArray[np.float64]
    facing: int = 1
    """+1 when the locomotive's end points up the chainage."""
    scale: float = 1.0
    """True metres per metre of the wheel, as placing found it."""
    u_scale: float = math.inf
    """Standard uncertainty of the scale."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadedRun:
    """One run, ready to be answered for."""

    name: str
    run_id: str
    series: Series
    train: Train
    evidence: InstrumentUncertainty
    specification: Specification | None
    trip: TripSheet | None
    route: Route | None
    marks: tuple[Mark, ...]
    gaps: tuple[Gap, ...]
    duration_s: float
    started_utc_ns: int
    notes: tuple[str, ...] = ()
    """What the run cannot say, and what was assumed instead."""
    facts: dict[str, Any] = field(default_factory=dict)


def load_run(
    run: RunFile,
    *,
    trip: TripSheet | None = None,
    route: Route | None = None,
    place: Place | None = None,
    assumed: Assumed | None = None,
    step_s: float | None = None,
    name: str = "",
    switches: Switches | None = None,
) -> LoadedRun:
    """Read a run onto a grid; memory is bounded by the grid, not by the samples.

    Parameters
    ----------
    trip : replaces the trip sheet in the run file.
    route, place : the line and where the run lies on it; without them grade comes from a grade
        channel, from grade marks, or is not known.
    step_s : width of a bin; 0.1 s or four samples of the pull, whichever is longer.
    name : tells the run from others of a campaign; by default its file's.
    switches : of these, those of the instruments (wheel, zero drift) act here.
    """
    notes: list[str] = []
    on = switches or Switches()
    name = name or run.path.stem
    sheet = trip if trip is not None else run.trip
    train = train_from_sheet(sheet, assumed=assumed)
    pull, speed = _first(run, "pull"), _first(run, "speed")
    distance = _first(run, "distance")
    step = step_s or _step(run.duration_s, [c for c in (pull, speed or distance) if c])
    edges = grid(0.0, run.duration_s, step)
    marks, gaps = tuple(run.marks()), tuple(run.gaps())
    notes.extend(unread(marks))
    series = _series(run, edges, step, (pull, speed, distance), gaps, notes)
    series = without_shunt(series, run, pull, notes)
    drift = zero_drift_kN(run, pull, series.t_s)
    if drift is not None:
        series = with_zero_drift(series, drift, followed=on.zero_drift)
    evidence = evidence_of(run, pull, distance or speed, notes, name=name)
    if place is not None:
        series, evidence = with_wheel(
            series, evidence, place.scale, place.u_scale, name, notes, wanted=on.wheel
        )
    series, source = _with_line(series, run, edges, marks, route, place, sheet, notes)
    return LoadedRun(
        name=name,
        run_id=run.header.run_id,
        series=replace(
            series,
            marks=marks,
            gaps=gaps,
            grade_source=source,
            course_deg=_course(run, edges, step),
        ),
        train=_grade_doubted(train, source, notes),
        evidence=evidence,
        specification=specification_of(sheet),
        trip=sheet,
        route=route,
        marks=marks,
        gaps=gaps,
        duration_s=run.duration_s,
        started_utc_ns=run.header.started_utc_ns,
        notes=tuple(notes),
    )


def _grade_doubted(train: Train, source: str, notes: list[str]) -> Train:
    """What is assumed of the grade, widened where no route gives it."""
    told = train.assumed
    if source == "unknown":
        notes.append(
            "grade is not known (no placed route, grade column or grade marks): no grade"
            f" correction is made and the slope is taken as 0 ± {UNKNOWN_GRADE * 100:.1f} %"
        )
        return _with_assumed(train, grade_common=math.hypot(told.grade_common, UNKNOWN_GRADE))
    if source == "marks":
        notes.append("grade is as the crew marked it, ± 0.05 %")
        return _with_assumed(train, grade=math.hypot(told.grade, MARKED_GRADE))
    return train


def _first(run: RunFile, quantity: str) -> Channel | None:
    return next((c for c in run.channels.values() if c.quantity == quantity and c.n), None)


def _step(duration_s: float, channels: Sequence[Channel]) -> float:
    slowest = FINEST_S
    for channel in channels:
        mean_step = duration_s / max(channel.n, 1)
        slowest = max(slowest, mean_step if mean_step > FINEST_S else FINEST_S)
    return max(FINEST_S, round(slowest, 1))


def _pieces(channel: Channel) -> Iterator[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    for start in range(0, channel.n, PIECE):
        stop = min(start + PIECE, channel.n)
        yield channel.time_s(start, stop), channel.values(start, stop)


def _binned(
    channel: Channel, edges: NDArray[np.float64], step: float, duration_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Mean, minimum and maximum of each bin."""
    if channel.n * step / max(duration_s, step) >= FAST_PER_BIN:
        sums = bin_fast(_pieces(channel), edges)
        # A bin with under half its samples is not a whole bin's mean.
        filled = sums.count[sums.count > 0]
        whole = sums.count >= (0.5 * np.median(filled) if filled.size else 1.0)
        mean = np.where(whole, sums.mean, np.nan)
        return mean, sums.minimum(), sums.maximum()
    t_s, values = channel.time_s(0, channel.n), channel.values(0, channel.n)
    mean = bin_slow(t_s, values, edges)
    sums = bin_fast([(t_s, values)], edges)
    low = np.fmin(mean, sums.minimum())
    return mean, low, np.fmax(mean, sums.maximum())


def _series(
    run: RunFile,
    edges: NDArray[np.float64],
    step: float,
    channels: tuple[Channel | None, Channel | None, Channel | None],
    gaps: Sequence[Gap],
    notes: list[str],
) -> Series:
    pull, speed, distance = channels
    n = len(edges) - 1
    nothing = np.full(n, np.nan)
    mean = low = high = nothing
    flags = np.zeros(n, np.uint8)
    if pull is None:
        notes.append("the run has no pull")
    else:
        mean, low, high = _binned(pull, edges, step, run.duration_s)
        mean, low, high = (
            blank_gaps(x, edges, [g for g in gaps if g.device == pull.device])
            for x in (mean, low, high)
        )
        flags = _flags(pull, edges, step)
    v = d = nothing
    if speed is not None:
        v = _binned(speed, edges, step, run.duration_s)[0]
        v = blank_gaps(v, edges, [g for g in gaps if g.device == speed.device])
    if distance is not None:
        d = _binned(distance, edges, step, run.duration_s)[0]
    if speed is None and distance is not None:
        v = np.gradient(d, step) if n > 1 else nothing
        notes.append("speed is the slope of the recorded distance")
    if speed is None and distance is None:
        notes.append("the run has neither speed nor distance")
    elif distance is None:
        d = np.cumsum(np.nan_to_num(v)) * step
    t = edges[:-1] + step / 2
    flags = flags | _slipping(run, edges, step, v, notes)
    acceleration = _channel(run, "acceleration", edges, step)
    if acceleration is None:
        acceleration = derive_motion(v, step)
    return Series(
        t_s=t,
        step_s=step,
        pull_kN=mean,
        pull_min_kN=low,
        pull_max_kN=high,
        speed_m_s=v,
        distance_m=d,
        acceleration_m_s2=acceleration,
        chainage_m=nothing,
        locomotive_grade=np.zeros(n),
        trailing_grade=np.zeros(n),
        locomotive_curvature_per_m=np.zeros(n),
        trailing_curvature_per_m=np.zeros(n),
        flags=flags,
    )


def _channel(
    run: RunFile, quantity: str, edges: NDArray[np.float64], step: float
) -> NDArray[np.float64] | None:
    channel = _first(run, quantity)
    return None if channel is None else _binned(channel, edges, step, run.duration_s)[0]


def _course(
    run: RunFile, edges: NDArray[np.float64], step: float
) -> NDArray[np.float64] | None:
    north = _channel(run, "latitude", edges, step)
    east = _channel(run, "longitude", edges, step)
    if north is None or east is None:
        return None
    return course_deg(north, east, max(1, round(10.0 / step)))


def _slipping(
    run: RunFile,
    edges: NDArray[np.float64],
    step: float,
    speed_m_s: NDArray[np.float64],
    notes: list[str],
) -> NDArray[np.uint8]:
    """``SUSPECT`` where the measuring wheel disagrees with GNSS speed: it slips or slides."""
    gnss = _channel(run, "gnss_speed", edges, step)
    if gnss is None:
        return np.zeros(len(edges) - 1, np.uint8)
    # GNSS speed is told once a second and late: a change of speed is not a slip.
    rate = np.abs(np.nan_to_num(derive_motion(gnss, step)))
    found = flag_slip(speed_m_s, 1.0 * rate, gnss)
    bad = found != 0
    if bad.any():
        slips, slides = int((found > 0).sum()), int((found < 0).sum())
        notes.append(
            f"the measuring wheel disagrees with GNSS speed for {slips * step:.0f} s of slip and"
            f" {slides * step:.0f} s of slide: left out of steady stretches"
        )
    return np.where(bad, np.uint8(flag_bits.SUSPECT), np.uint8(0)).astype(np.uint8)


def _flags(pull: Channel, edges: NDArray[np.float64], step: float) -> NDArray[np.uint8]:
    out = np.zeros(len(edges) - 1, np.uint8)
    for start in range(0, pull.n, PIECE):
        stop = min(start + PIECE, pull.n)
        held = pull.flags(start, stop)
        raised = np.flatnonzero(held)
        if len(raised):
            t = pull.time_s(start, stop)[raised]
            index = np.floor((t - edges[0]) / step).astype(np.int64)
            inside = (index >= 0) & (index < len(out))
            np.bitwise_or.at(out, index[inside], held[raised][inside])
    return out


def _with_line(
    series: Series,
    run: RunFile,
    edges: NDArray[np.float64],
    marks: Sequence[Mark],
    route: Route | None,
    place: Place | None,
    sheet: TripSheet | None,
    notes: list[str],
) -> tuple[Series, str]:
    """Grade and curvature from the best source there is, and its name."""
    if route is not None and place is not None and sheet is not None:
        return _on_route(series, route, place, sheet), "route"
    n = len(series)
    curve = _channel(run, "curvature", edges, series.step_s)
    bend = np.zeros(n) if curve is None else np.abs(np.nan_to_num(curve))
    if curve is None:
        notes.append("curves are not known: no curve correction is made")
    series = replace(series, locomotive_curvature_per_m=bend, trailing_curvature_per_m=bend)
    grade = _channel(run, "grade", edges, series.step_s)
    source = "channel"
    if grade is None:
        grade = _marked_grade(series.t_s, marks)
        source = "marks"
    if grade is None:
        return series, "unknown"
    return replace(series, locomotive_grade=grade, trailing_grade=grade), source


def _on_route(series: Series, route: Route, place: Place, sheet: TripSheet) -> Series:
    chainage = np.interp(series.t_s, place.t_s, place.chainage_m, left=math.nan, right=math.nan)
    # A run a hair longer than its placing keeps the end position.
    end = (series.t_s > place.t_s[-1]) & (series.t_s < place.t_s[-1] + 1.0)
    chainage = np.where(end, place.chainage_m[-1], chainage)
    under = UnderTrain(route, TrainShape.from_trip(sheet)).at(chainage, place.facing)
    return replace(
        series,
        chainage_m=chainage,
        locomotive_grade=under.locomotive_grade,
        trailing_grade=under.trailing_grade,
        locomotive_curvature_per_m=under.locomotive_curvature_per_m,
        trailing_curvature_per_m=under.trailing_curvature_per_m,
    )


def _marked_grade(
    t_s: NDArray[np.float64], marks: Sequence[Mark]
) -> NDArray[np.float64] | None:
    """Grade held from each grade mark to the next, as a fraction; ``None`` without any value.

    From a mark without a value that reads the grade is not known: it changed there.
    """
    held = [(mark.t_s, _grade(mark)) for mark in marks if mark.kind is Kind.GRADE]
    if all(math.isnan(grade) for _, grade in held):
        return None
    times = np.array([t for t, _ in held])
    values = np.array([math.nan, *(grade for _, grade in held)])
    return np.asarray(values[np.searchsorted(times, t_s, side="right")])


def _grade(mark: Mark) -> float:
    value = mark.meaning
    if isinstance(value, GradeMark) and value.per_cent is not None:
        return value.per_cent / 100.0
    return math.nan


def _with_assumed(train: Train, **changes: float) -> Train:
    return replace(train, assumed=replace(train.assumed, **changes))
