"""What ties the run to the line: milepost marks and GNSS fixes, and which post each meant."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.marks.kinds import Kind
from recorder.marks.mark import Mark
from recorder.marks.values import MilepostMark

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from recorder.track.placing.wheel_track import WheelTrack
    from recorder.track.route.route import Route

__all__ = [
    "OFF_LINE_M",
    "RECEIPT_DELAY_S",
    "U_RECEIPT_DELAY_S",
    "FixAnchors",
    "GnssFixes",
    "MarkAnchors",
    "PlacingOptions",
    "match_marks",
]

GATE: Final = 4.0
"""Standard deviations beyond which a mark is not at a post: 1 honest mark in 16 000."""
RECEIPT_DELAY_S: Final = 0.2
U_RECEIPT_DELAY_S: Final = 0.3
"""Delay of a sentence and its standard uncertainty, where fixes are not tied to run time (common
practice: the text leaves the receiver a few tenths of a second late)."""
_FEWEST_FIX_S: Final = 10.0
_MOST_FIXES: Final = 600
OFF_LINE_M: Final = 40.0
"""A fix further from the line is none of a train on it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacingOptions:
    """What is known beforehand, with standard uncertainties."""

    way: int | None = None
    """+1: the wheel counts up as chainage goes up; −1: down; ``None``: not known. What most
    marks say is believed before it."""
    start_chainage_m: float | None = None
    u_start_m: float = 200.0
    """A start further off than four of these from what the marks say is not believed."""
    scale: float = 1.0
    u_scale: float = 0.01
    """Of the wheel: a worn or wrongly stated diameter."""
    reaction_s: float = 0.5
    """Mean delay from passing the post to the key: half a second, from experience."""
    u_reaction_s: float = 0.3
    reaction_sd_s: float = 0.3
    """Scatter of one key-down about the mean; a first guess that the marks correct."""
    sighting_m: float = 2.0
    """Scatter of where the observer thinks himself abeam, and of the post's survey."""
    u_common_m: float = 1.0
    """What no number of marks averages away: the observer's seat is not the wheel, and the
    posts were surveyed from one another."""
    gnss_sd_m: float = 3.0
    """Along-track scatter of one fix, from one to the next."""
    gnss_slow_m: float = 3.0
    """The part of its error that stays for minutes."""
    u_gnss_delay_s: float = 0.1
    """How well the fixes' times are tied to run time."""
    tune: bool = True
    """Let the marks say how much they scatter and how fast the wheel changes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GnssFixes:
    """Positions with the run time they were true at, (n,) each; NaN where invalid."""

    t_s: ArrayLike
    latitude_deg: ArrayLike
    longitude_deg: ArrayLike


@dataclass(frozen=True, slots=True)
class MarkAnchors:
    """Milepost marks, by time, (n,) each."""

    marks: tuple[Mark, ...]
    t_s: NDArray[np.float64]
    """When the post was abeam: the key-down less the assumed delay."""
    d_m: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    """Of the wheel, signed."""
    path_m: NDArray[np.float64]
    turns: NDArray[np.intp]
    """Reversals of the car before it."""
    labelled: tuple[NDArray[np.float64], ...]
    """Chainages its number may mean; none, one, or several."""
    number: NDArray[np.float64]
    """As keyed; NaN where it is no number."""

    @classmethod
    def of(
        cls, route: Route, track: WheelTrack, marks: Sequence[Mark], options: PlacingOptions
    ) -> MarkAnchors:
        """Those of `marks` that are mileposts within the run and not withdrawn."""
        low, high = float(track.t_s[0]) - 1.0, float(track.t_s[-1]) + 1.0
        chosen = sorted(
            (
                m
                for m in marks
                if m.kind is Kind.MILEPOST and not m.withdrawn and low <= m.t_s <= high
            ),
            key=lambda m: (m.t_s, m.mark_id),
        )
        t = np.array([m.t_s for m in chosen], dtype=np.float64) - options.reaction_s
        posts = tuple(_named(route, m) for m in chosen)
        turns = np.searchsorted(track.turns_s, t)
        number = np.array([_number(m) for m in chosen], dtype=np.float64)
        return cls(
            tuple(chosen), t, track.distance(t), track.speed(t), track.path(t), turns, posts,
            number,
        )  # fmt: skip

    def __len__(self) -> int:
        return len(self.marks)


def _named(route: Route, mark: Mark) -> NDArray[np.float64]:
    """Chainages a number may mean: its posts, or the place between posts (``12.25``)."""
    posts = np.array([p.s_m for p in route.mileposts_labelled(mark.value)])
    return posts if posts.size else route.chainages_posted(_number(mark))


def _number(mark: Mark) -> float:
    value = mark.meaning
    if isinstance(value, MilepostMark) and value.number is not None:
        return value.number
    return math.nan


@dataclass(frozen=True, slots=True)
class FixAnchors:
    """GNSS fixes on the line, thinned, (n,) each."""

    t_s: NDArray[np.float64]
    d_m: NDArray[np.float64]
    speed_m_s: NDArray[np.float64]
    s_m: NDArray[np.float64]
    rejected: int
    """Fixes that lay off the line."""

    @classmethod
    def of(cls, route: Route, track: WheelTrack, fixes: GnssFixes | None) -> FixAnchors:
        """Thin the fixes, put them on the line, leave out what lies off it."""
        nothing = np.zeros(0)
        if fixes is None or route.alignment is None:
            return cls(nothing, nothing, nothing, nothing, 0)
        t = np.asarray(fixes.t_s, dtype=np.float64)
        latitude = np.asarray(fixes.latitude_deg, dtype=np.float64)
        longitude = np.asarray(fixes.longitude_deg, dtype=np.float64)
        good = np.isfinite(t) & np.isfinite(latitude) & np.isfinite(longitude)
        good &= (t >= track.t_s[0]) & (t <= track.t_s[-1])
        t, latitude, longitude = t[good], latitude[good], longitude[good]
        span = float(track.t_s[-1] - track.t_s[0])
        every = max(_FEWEST_FIX_S, span / _MOST_FIXES)
        order = np.argsort(t, kind="stable")
        first = np.diff(np.floor(t[order] / every), prepend=-np.inf) > 0
        pick = order[first]
        t = t[pick]
        s, away = route.alignment.locate(latitude[pick], longitude[pick])
        ends = route.alignment.s_m[[0, -1]]
        near = (away < OFF_LINE_M) & (s > ends[0] + 1.0) & (s < ends[1] - 1.0)
        t, s = t[near], s[near]
        return cls(t, track.distance(t), track.speed(t), s, int(near.size - near.sum()))

    def __len__(self) -> int:
        return self.t_s.size


def match_marks(
    anchors: MarkAnchors,
    posts_m: NDArray[np.float64],
    expected_m: NDArray[np.float64],
    reach_m: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.float64]]:
    """Decide which post each mark meant.

    Parameters
    ----------
    posts_m : (p,) sorted chainages of all posts.
    expected_m : (n,) where the fit, without this mark, has the car at each mark.
    reach_m : (n,) how far from there a mark may be.

    Returns
    -------
    post : (n,) chainage of the post meant, or of the nearest when none is in reach
    used : (n,) whether one is in reach, and it is the best mark of that post in that pass
    renumbered : (n,) 1 where a number was keyed and the post does not carry it
    """
    n = len(anchors)
    post, renumbered = np.full(n, np.nan), np.zeros(n)
    used = np.zeros(n, dtype=np.bool_)
    if posts_m.size == 0 or n == 0:
        return post, used, renumbered
    right = np.clip(np.searchsorted(posts_m, expected_m), 1, max(1, posts_m.size - 1))
    if posts_m.size == 1:
        nearest = np.full(n, posts_m[0])
    else:
        left_gap = np.abs(expected_m - posts_m[right - 1])
        right_gap = np.abs(expected_m - posts_m[right])
        nearest = np.where(left_gap <= right_gap, posts_m[right - 1], posts_m[right])
    for i in range(n):
        own = anchors.labelled[i]
        named = own[np.argmin(np.abs(own - expected_m[i]))] if own.size else np.nan
        by_name = abs(named - expected_m[i]) <= reach_m[i]
        post[i] = named if by_name else nearest[i]
        used[i] = by_name or abs(nearest[i] - expected_m[i]) <= reach_m[i]
        keyed = anchors.marks[i].value.strip() != ""
        renumbered[i] = float(keyed and not by_name and post[i] not in own)
    _one_a_pass(anchors, post, used, np.abs(post - expected_m) / reach_m)
    return post, used, renumbered


def _one_a_pass(
    anchors: MarkAnchors,
    post: NDArray[np.float64],
    used: NDArray[np.bool_],
    misfit: NDArray[np.float64],
) -> None:
    """Of several marks at one post in one pass only the best fitting stays used."""
    best: dict[tuple[float, int], int] = {}
    for i in np.flatnonzero(used).tolist():
        key = (float(post[i]), int(anchors.turns[i]))
        held = best.get(key)
        if held is None:
            best[key] = i
        elif misfit[i] < misfit[held]:
            used[held] = False
            best[key] = i
        else:
            used[i] = False
