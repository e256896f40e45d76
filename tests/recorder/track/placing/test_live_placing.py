"""Placing while the run goes on."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from recorder.marks.mark import Mark
from recorder.track.placing.anchors import PlacingOptions
from recorder.track.placing.live_placing import LivePlacer
from recorder.track.placing.placement import MarkUse

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.recorder.track.conftest import Line, Run


@pytest.mark.slow
@pytest.mark.parametrize("gnss", [False, True])
def test_live_position_follows_the_truth(
    short_line: Line, runs: Callable[..., Run], *, gnss: bool
) -> None:
    run = runs(short_line, seed=7, length_m=38_000.0, begin_m=200.0)
    placer = LivePlacer(short_line.route(), PlacingOptions(way=1, start_chainage_m=260.0))
    marks = list(run.marks)
    error, u95 = [], []
    for i in range(0, run.t_s.size, 10):
        t = float(run.t_s[i])
        while marks and marks[0].t_s <= t:
            placer.add_mark(marks.pop(0))
        k = int(t)
        if gnss and i % 100 == 0 and k < run.gnss_t_s.size:
            placer.add_fix(t, run.gnss_latitude[k], run.gnss_longitude[k])
        here = placer.update(t, float(run.d_m[i]))
        assert here is not None
        error.append(here.chainage_m - run.s_m[i])
        u95.append(here.u95_m)
    wrong = np.abs(error)
    assert (wrong <= np.array(u95)).mean() > 0.95
    settled = run.s_m[::10][: wrong.size] > 7000.0
    assert wrong[settled].max() < 20.0
    assert np.array(u95)[settled].max() < 45.0


def test_nothing_is_said_before_anything_is_known(short_line: Line) -> None:
    placer = LivePlacer(short_line.route())
    assert placer.update(0.0, 0.0) is None
    assert placer.position() is None
    assert placer.ahead() == []


def test_next_milepost_and_what_comes(short_line: Line) -> None:
    route = short_line.route()
    post = route.mileposts[3]
    placer = LivePlacer(route, PlacingOptions(way=1))
    for i in range(100):
        placer.update(i * 0.5, i * 5.0)
    mark = Mark(mark_id="a", kind="milepost", t_s=49.9, value=post.label)
    here = placer.update(50.0, 500.0, mark)
    assert here is not None
    assert here.direction == 1
    assert here.next_milepost == route.mileposts[4]
    assert here.to_next_m == pytest.approx(route.mileposts[4].s_m - here.chainage_m)
    assert here.chainage_m == pytest.approx(post.s_m + 5.0, abs=6.0)
    assert here.posted == pytest.approx(post.number, abs=0.02)
    assert [f.value for _, f in placer.ahead(2000.0, {"milepost"})] == [
        route.mileposts[4].label
    ]


def test_setting_back_turns_what_is_ahead(short_line: Line) -> None:
    route = short_line.route()
    placer = LivePlacer(
        route, PlacingOptions(way=1, start_chainage_m=route.mileposts[3].s_m + 100.0)
    )
    forward = [placer.update(t * 0.5, t * 2.0) for t in range(50)]
    backward = [placer.update(25.0 + t * 0.5, 98.0 - t * 2.0) for t in range(20)]
    first, last = forward[-1], backward[-1]
    assert first is not None
    assert last is not None
    assert (first.direction, last.direction) == (1, -1)
    assert last.next_milepost == route.mileposts[3]
    assert last.chainage_m < first.chainage_m


def test_a_withdrawn_mark_no_longer_counts(short_line: Line) -> None:
    route = short_line.route()
    placer = LivePlacer(route, PlacingOptions(way=1))
    for i in range(100):
        placer.update(i * 0.5, i * 5.0)
    mark = Mark(mark_id="a", kind="milepost", t_s=40.0, value=route.mileposts[2].label)
    assert placer.update(50.0, 500.0, mark) is not None
    assert placer.update(50.5, 505.0, mark.revised(withdrawn=True)) is None


def test_a_mark_with_a_wrong_number_is_told_and_does_not_jump(
    short_line: Line, runs: Callable[..., Run]
) -> None:
    run = runs(short_line, seed=11, length_m=25_000.0, begin_m=200.0, gnss=False)
    placer = LivePlacer(short_line.route(), PlacingOptions(way=1, start_chainage_m=250.0))
    marks = [m if i != 8 else m.revised(value="40") for i, m in enumerate(run.marks)]
    worst = 0.0
    for i in range(0, run.t_s.size, 10):
        while marks and marks[0].t_s <= run.t_s[i]:
            placer.add_mark(marks.pop(0))
        here = placer.update(float(run.t_s[i]), float(run.d_m[i]))
        assert here is not None
        if run.s_m[i] > 7000.0:
            worst = max(worst, abs(here.chainage_m - run.s_m[i]))
    assert worst < 25.0
    assert [m.status for m in placer.marks].count(MarkUse.RENUMBERED) == 1


def test_times_that_go_back_and_values_that_are_no_numbers_are_passed_over(
    short_line: Line,
) -> None:
    placer = LivePlacer(short_line.route(), PlacingOptions(way=1, start_chainage_m=1000.0))
    placer.update(10.0, 100.0)
    before = placer.update(11.0, 110.0)
    assert placer.update(5.0, 0.0) == before
    assert placer.update(float("nan"), 1.0) == before
    assert placer.update(12.0, float("inf")) == before


def test_other_kinds_of_mark_are_passed_over(short_line: Line) -> None:
    placer = LivePlacer(short_line.route(), PlacingOptions(way=1))
    assert placer.update(1.0, 1.0, Mark(mark_id="w", kind="weather", t_s=1.0)) is None
