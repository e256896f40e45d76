"""What the crew marked, along the run: the brake, the grade, the wind.

The wind is an explanatory column only: no figure is corrected by it. A weather mark states e.g.
``wind 5 m/s from 270``; it holds until the next one that states wind.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from recorder.marks.grammar import MarkValue
from recorder.marks.handling import BrakeMark
from recorder.marks.kinds import Kind
from recorder.marks.mark import Mark
from recorder.marks.values import GradeMark, UnreadMark
from recorder.marks.weather import WeatherMark

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["brake_changes", "marked_grade", "wind_along_m_s"]


def brake_changes(marks: Iterable[Mark]) -> list[tuple[float, bool]]:
    """Run time (s) of every brake mark, and whether it is a release, in the order given.

    A bare mark, and one whose value does not read, counts as an application: a pull measured
    with the brake on must not pass for one with the brake off.
    """
    return [
        (mark.t_s, isinstance(value := mark.meaning, BrakeMark) and value.released)
        for mark in marks
        if mark.kind is Kind.BRAKE
    ]


def marked_grade(t_s: NDArray[np.float64], marks: Sequence[Mark]) -> NDArray[np.float64] | None:
    """Grade (n,) held from each grade mark to the next, as a fraction; ``None`` without any.

    From a mark without a value that reads the grade is not known: it changed there.
    """
    held = [(mark.t_s, _grade(mark)) for mark in marks if mark.kind is Kind.GRADE]
    if all(math.isnan(grade) for _, grade in held):
        return None
    times = np.array([t for t, _ in held])
    values = np.array([math.nan, *(grade for _, grade in held)])
    return np.asarray(values[np.searchsorted(times, t_s, side="right")])


def wind_along_m_s(
    t_s: NDArray[np.float64], course: NDArray[np.float64] | None, marks: Sequence[Mark]
) -> NDArray[np.float64]:
    """Head wind (+) or tail wind (−) along the track (n,) m/s; NaN where not known."""
    along = np.full(len(t_s), np.nan)
    if course is None:
        return along
    winds = [
        (mark.t_s, value)
        for mark in sorted(marks, key=lambda m: m.t_s)
        if mark.kind is Kind.WEATHER and _of_wind(value := mark.meaning)
    ]
    for i, (start, value) in enumerate(winds):
        end = winds[i + 1][0] if i + 1 < len(winds) else math.inf
        held = (t_s >= start) & (t_s < end)
        along[held] = _along(value, course[held])
    return along


def _grade(mark: Mark) -> float:
    value = mark.meaning
    if isinstance(value, GradeMark) and value.per_cent is not None:
        return value.per_cent / 100.0
    return math.nan


def _of_wind(value: MarkValue | UnreadMark) -> bool:
    """A weather mark that does not read may have meant the wind: the one before holds no more."""
    return isinstance(value, UnreadMark) or (
        isinstance(value, WeatherMark) and value.speaks_of_wind
    )


def _along(
    value: MarkValue | UnreadMark, course: NDArray[np.float64]
) -> NDArray[np.float64] | float:
    wind = value.wind if isinstance(value, WeatherMark) else None
    if wind is None:
        return math.nan
    if wind.from_deg is None:
        return 0.0
    return np.asarray(wind.speed_m_s * np.cos(np.radians(wind.from_deg - course)))
