"""How well a ride was keyed: each post and change of throttle against the truth. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.marks.handling import ThrottleMark
from recorder.marks.kinds import Kind
from recorder.marks.values import MilepostMark

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.track.route.profiles import Milepost

__all__ = [
    "Outcome",
    "RideScore",
    "RideTruth",
    "Scored",
    "Throttle",
    "score_ride",
    "score_words",
    "throttle_at",
]

POST_S: Final = 20.0
"""A post keyed further off than this in time is another's, or nobody's."""
THROTTLE_S: Final = 30.0
"""The same of a throttle."""
LASTS_S: Final = 5.0
"""A setting of the throttle that is left sooner need not be keyed."""
FULL: Final = 0.995
CLOSED: Final = 0.005


class Throttle(StrEnum):
    """How far it is open."""

    CLOSED = "closed"
    PART = "partly open"
    FULL = "full"


class Outcome(StrEnum):
    """What became of something to be keyed."""

    RIGHT = "keyed"
    WRONG = "wrong"
    MISSED = "missed"


@dataclass(frozen=True, slots=True)
class RideTruth:
    """What the train really did; (n,) each, on run time."""

    time_s: NDArray[np.float64]
    chainage_m: NDArray[np.float64]
    throttle: NDArray[np.float64]
    """0 to 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scored:
    """One thing to be keyed."""

    what: str
    true_s: float
    outcome: Outcome
    value: str = ""
    """As keyed; empty when it was missed."""
    late_s: float | None = None
    """Below 0: early."""
    late_m: float | None = None
    """How far the train went meanwhile."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RideScore:
    """Posts and throttle, and how many marks of these kinds belong to nothing."""

    posts: tuple[Scored, ...]
    throttle: tuple[Scored, ...]
    beside: int


@dataclass(frozen=True, slots=True)
class _Due:
    what: str
    true_s: float
    wanted: object


def score_ride(truth: RideTruth, posts: Sequence[Milepost], marks: Iterable[Mark]) -> RideScore:
    """Hold the marks (newest revisions) against the truth; what is withdrawn counts for nothing.

    Each mark stands for the nearest post, or change, that no nearer mark stands for.
    """
    held = [mark for mark in marks if not mark.withdrawn]
    of_posts = [m for m in held if m.kind is Kind.MILEPOST]
    of_throttle = [m for m in held if m.kind is Kind.THROTTLE]
    passed = [
        _Due(f"milepost {post.label}", at, post.number) for at, post in _passed(truth, posts)
    ]
    changed = [_Due(f"throttle {state}", at, state) for at, state in _changes(truth)]
    scored_posts, beside = _scored(passed, of_posts, truth, POST_S)
    scored_throttle, more = _scored(changed, of_throttle, truth, THROTTLE_S)
    return RideScore(posts=scored_posts, throttle=scored_throttle, beside=beside + more)


def score_words(score: RideScore) -> list[str]:
    """The score as lines for a person."""
    rows = [*score.posts, *score.throttle]
    lines = [f"{'what':<22}{'at':>9}  {'keyed as':<12}{'late':>9}{'that is':>10}"]
    lines += [_row(row) for row in rows]
    if not rows:
        lines.append("nothing was passed that had to be keyed")
    right = [
        row for row in score.posts if row.outcome is Outcome.RIGHT and row.late_s is not None
    ]
    lines.append("")
    lines.append(_count("mileposts", score.posts))
    lines.append(_count("changes of the throttle", score.throttle))
    if right:
        late = np.array([row.late_s for row in right])
        off = np.abs([row.late_m or 0.0 for row in right])
        lines.append(
            f"the posts keyed rightly are late by {np.mean(late):+.2f} s in the mean, and by"
            f" {np.abs(late).max():.2f} s at the most; that is {np.mean(off):.1f} m of line in the"
            f" mean and {off.max():.1f} m at the most"
        )
    if score.beside:
        lines.append(f"{score.beside} more of these marks stand for nothing that was there")
    return lines


def _row(row: Scored) -> str:
    if row.outcome is Outcome.MISSED or row.late_s is None:
        return f"{row.what:<22}{row.true_s:>7.1f} s  MISSED"
    value = row.value or "no number"
    wrong = "  WRONG" if row.outcome is Outcome.WRONG else ""
    metres = "" if row.late_m is None else f"{row.late_m:+.1f} m"
    when = f"{row.true_s:>7.1f} s  {value:<12}{row.late_s:>+7.2f} s"
    return f"{row.what:<22}{when}{metres:>10}{wrong}"


def _count(what: str, rows: Sequence[Scored]) -> str:
    of = {kind: sum(row.outcome is kind for row in rows) for kind in Outcome}
    return (
        f"{what}: {len(rows)}, of which {of[Outcome.RIGHT]} keyed rightly,"
        f" {of[Outcome.WRONG]} wrongly, {of[Outcome.MISSED]} missed"
    )


def _passed(truth: RideTruth, posts: Sequence[Milepost]) -> list[tuple[float, Milepost]]:
    """When the coupler passed which post, by time; each time, when more than once."""
    found = []
    for post in posts:
        beyond = truth.chainage_m >= post.s_m
        for i in np.flatnonzero(beyond[1:] != beyond[:-1]):
            a, b = truth.chainage_m[i], truth.chainage_m[i + 1]
            step_s = truth.time_s[i + 1] - truth.time_s[i]
            at_s = float(truth.time_s[i] + (post.s_m - a) / (b - a) * step_s)
            found.append((at_s, post))
    return sorted(found, key=lambda pair: pair[0])


def _changes(truth: RideTruth) -> list[tuple[float, Throttle]]:
    """When the throttle came to a setting that was kept for a while."""
    states = np.where(truth.throttle >= FULL, 2, np.where(truth.throttle <= CLOSED, 0, 1))
    edges = [*(np.flatnonzero(np.diff(states)) + 1).tolist(), len(states)]
    found = []
    kept = int(states[0]) if len(states) else 0
    for start, stop in pairwise(edges):
        lasted_s = truth.time_s[stop - 1] - truth.time_s[start]
        if lasted_s >= LASTS_S and states[start] != kept:
            kept = int(states[start])
            found.append((float(truth.time_s[start]), tuple(Throttle)[kept]))
    return found


def _scored(
    due: Sequence[_Due], marks: Sequence[Mark], truth: RideTruth, within_s: float
) -> tuple[tuple[Scored, ...], int]:
    """Each of what was due with the mark that stands for it; how many marks are left."""
    near = sorted(
        (abs(mark.t_s - held.true_s), i, j)
        for i, held in enumerate(due)
        for j, mark in enumerate(marks)
        if abs(mark.t_s - held.true_s) <= within_s
    )
    taken: dict[int, int] = {}
    for _, i, j in near:
        if i not in taken and j not in taken.values():
            taken[i] = j
    scored = tuple(
        _held(held, marks[taken[i]] if i in taken else None, truth)
        for i, held in enumerate(due)
    )
    return scored, len(marks) - len(taken)


def _held(due: _Due, mark: Mark | None, truth: RideTruth) -> Scored:
    if mark is None:
        return Scored(what=due.what, true_s=due.true_s, outcome=Outcome.MISSED)
    there, where = np.interp([mark.t_s, due.true_s], truth.time_s, truth.chainage_m)
    return Scored(
        what=due.what,
        true_s=due.true_s,
        outcome=Outcome.RIGHT if _agrees(mark, due.wanted) else Outcome.WRONG,
        value=mark.value,
        late_s=mark.t_s - due.true_s,
        late_m=float(there - where),
    )


def _agrees(mark: Mark, wanted: object) -> bool:
    """A post without a number is keyed: the number comes from its neighbours."""
    match mark.meaning:
        case MilepostMark(number=number):
            return number is None or number == wanted
        case ThrottleMark() as throttle:
            # A notch or words say no share: somewhere between closed and full.
            share = throttle.share if throttle.share is not None else 0.5
            return bool(throttle.text) and throttle_at(share) is wanted
        case _:
            return False


def throttle_at(share: float) -> Throttle:
    """How far it is open, by the share of full opening."""
    if share >= FULL:
        return Throttle.FULL
    return Throttle.CLOSED if share <= CLOSED else Throttle.PART
