"""How well a ride was keyed, worked by hand: a train at 10 m/s, posts every kilometre."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.command_line.demo.ride_score import (
    Outcome,
    RideTruth,
    Scored,
    score_ride,
    score_words,
)
from recorder.marks.kinds import Kind
from recorder.marks.mark import Mark
from recorder.track.route.profiles import Milepost

POSTS = [Milepost(label=str(n), s_m=1000.0 * n, number=float(n)) for n in range(1, 5)]
"""Passed at 100, 200 and 300 s; the last one is never come to."""


def truth() -> RideTruth:
    """Closed for 50 s, full until 250 s, with a slip of the hand of 2 s, then closed."""
    t = np.arange(0.0, 350.0, 0.1)
    throttle = np.where((t >= 50.0) & (t < 250.0), 1.0, 0.0)
    throttle[(t >= 150.0) & (t < 152.0)] = 0.4
    return RideTruth(t, 10.0 * t, throttle)


def mark(kind: Kind, t_s: float, value: str = "", *, withdrawn: bool = False) -> Mark:
    return Mark(mark_id=f"{kind}{t_s}", kind=kind, t_s=t_s, value=value, withdrawn=withdrawn)


def post(t_s: float, value: str = "", *, withdrawn: bool = False) -> Mark:
    return mark(Kind.MILEPOST, t_s, value, withdrawn=withdrawn)


def kinds(scored: tuple[Scored, ...]) -> list[Outcome]:
    return [row.outcome for row in scored]


def test_a_post_keyed_late_is_late_by_so_many_seconds_and_metres() -> None:
    score = score_ride(truth(), POSTS, [post(100.5, "1"), post(199.8, "2"), post(301.2, "3")])
    assert kinds(score.posts) == [Outcome.RIGHT] * 3
    assert [row.true_s for row in score.posts] == pytest.approx([100.0, 200.0, 300.0])
    assert [row.late_s for row in score.posts] == pytest.approx([0.5, -0.2, 1.2])
    assert [row.late_m for row in score.posts] == pytest.approx([5.0, -2.0, 12.0])
    assert score.beside == 0


def test_missed_wrong_and_without_a_number() -> None:
    score = score_ride(truth(), POSTS, [post(101.0, "2"), post(202.0)])
    assert kinds(score.posts) == [Outcome.WRONG, Outcome.RIGHT, Outcome.MISSED]
    assert score.posts[2].late_s is None


def test_a_mark_stands_for_one_post_and_what_stands_for_none_is_counted() -> None:
    taken_back = post(299.9, "3", withdrawn=True)
    score = score_ride(truth(), POSTS, [post(100.2, "1"), post(103.0, "1"), taken_back])
    assert kinds(score.posts) == [Outcome.RIGHT, Outcome.MISSED, Outcome.MISSED]
    assert score.posts[0].late_s == pytest.approx(0.2)
    assert score.beside == 1


def test_the_throttle_counts_where_it_stays_and_by_what_it_says() -> None:
    marks = [mark(Kind.THROTTLE, 52.0, "full"), mark(Kind.THROTTLE, 251.0, "full")]
    score = score_ride(truth(), POSTS, marks)
    assert [row.what for row in score.throttle] == ["throttle full", "throttle closed"]
    assert kinds(score.throttle) == [Outcome.RIGHT, Outcome.WRONG]
    assert score.throttle[0].late_s == pytest.approx(2.0)


def test_the_words_say_what_was_missed_and_how_late_the_rest_is() -> None:
    lines = score_words(score_ride(truth(), POSTS, [post(100.5, "1"), post(203.0, "9")]))
    table = "\n".join(lines)
    assert "+0.50 s" in table
    assert "+5.0 m" in table
    assert "9" in next(line for line in lines if "WRONG" in line)
    assert next(line for line in lines if "MISSED" in line).startswith("milepost 3")
    assert "mileposts: 3, of which 1 keyed rightly, 1 wrongly, 1 missed" in lines
    assert max(len(line) for line in lines[:6]) <= 79


def test_a_ride_that_passed_nothing_says_so() -> None:
    t = np.arange(0.0, 10.0, 0.1)
    score = score_ride(RideTruth(t, t, np.zeros(len(t))), POSTS, [])
    assert any("nothing was passed" in line for line in score_words(score))
