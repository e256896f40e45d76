"""Grade and curvature under the train, from the best source there is."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.series.marked import marked_grade
from recorder.analysis.series.series import GradeSource, Series
from recorder.analysis.series.train import TrialTrain
from recorder.track.consist.train_shape import TrainShape
from recorder.track.consist.under_train import UnderTrain

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from recorder.analysis.series.run_series import RunGrid
    from recorder.marks.mark import Mark
    from recorder.sheets import TripSheet
    from recorder.track.route.route import Route

__all__ = ["RunPlace", "from_channels", "on_route", "with_doubted_grade"]

UNKNOWN_GRADE: Final = 0.002
"""Standard uncertainty of the slope (0.2 %) when no route, column or mark gives one: main lines
lie mostly within ± 0.4 % (from experience)."""
MARKED_GRADE: Final = 0.0005
"""Of a slope read off a lineside board, which is rounded (from experience)."""
END_S: Final = 1.0
"""A run this much longer than its placing keeps the end position."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPlace:
    """Where the car was: chainage of the run on the route, (k,) knots."""

    t_s: NDArray[np.float64]
    chainage_m: NDArray[np.float64]
    facing: int = 1
    """+1 when the chainage rises as the wheel counts up."""
    scale: float = 1.0
    """True metres per metre of the wheel, as placing found it."""
    u_scale: float = math.inf
    """Standard uncertainty of the scale."""
    posts: int = 0
    """Milepost marks that the scale goes by; without any it goes by fixes alone."""
    rolled_m: float = math.inf
    """Over how many metres the wheel was held against the line."""


def on_route(series: Series, route: Route, place: RunPlace, sheet: TripSheet) -> Series:
    """The series with chainage, and grade and curvature as means under either side of the
    coupler.
    """
    chainage = np.interp(series.t_s, place.t_s, place.chainage_m, left=math.nan, right=math.nan)
    end = (series.t_s > place.t_s[-1]) & (series.t_s < place.t_s[-1] + END_S)
    chainage = np.where(end, place.chainage_m[-1], chainage)
    ways = 1.0 if series.wheel_way is None else series.wheel_way
    under = UnderTrain(route, TrainShape.from_trip(sheet)).at(chainage, place.facing * ways)
    return replace(
        series,
        chainage_m=chainage,
        locomotive_grade=under.locomotive_grade,
        trailing_grade=under.trailing_grade,
        locomotive_curvature_per_m=under.locomotive_curvature_per_m,
        trailing_curvature_per_m=under.trailing_curvature_per_m,
        grade_source=GradeSource.ROUTE,
        speed_limit_m_s=route.speed_limit_at(chainage),
    )


def from_channels(
    series: Series, on: RunGrid, marks: Sequence[Mark], notes: list[str]
) -> Series:
    """The series with grade and curvature the run itself recorded, or the crew marked."""
    curve = on.mean_of("curvature")
    if curve is None:
        notes.append("curves are not known: no curve correction is made")
        bend = np.zeros(len(series))
    else:
        bend = np.abs(np.nan_to_num(curve))
    series = replace(series, locomotive_curvature_per_m=bend, trailing_curvature_per_m=bend)
    grade, source = on.mean_of("grade"), GradeSource.CHANNEL
    if grade is None:
        grade, source = marked_grade(series.t_s, marks), GradeSource.MARKS
    if grade is None:
        return series
    # What is recorded or marked is the rise in the direction of travel.
    grade = np.where(series.speed_m_s < 0.0, -grade, grade)
    return replace(series, locomotive_grade=grade, trailing_grade=grade, grade_source=source)


def with_doubted_grade(train: TrialTrain, source: GradeSource, notes: list[str]) -> TrialTrain:
    """What is assumed of the grade, widened where no route gives it."""
    assumed = train.assumed
    if source is GradeSource.UNKNOWN:
        notes.append(
            "grade is not known (no placed route, grade column or grade marks): no grade"
            f" correction is made and the slope is taken as 0 ± {UNKNOWN_GRADE * 100:.1f} %"
        )
        common = math.hypot(assumed.grade_common, UNKNOWN_GRADE)
        return replace(train, assumed=replace(assumed, grade_common=common))
    if source is GradeSource.MARKS:
        notes.append("grade is as the crew marked it, ± 0.05 %")
        own = math.hypot(assumed.grade, MARKED_GRADE)
        return replace(train, assumed=replace(assumed, grade=own))
    return train
