"""The train on its route: by the wheel, put right by mileposts."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from recorder.marks.mark import Mark
from recorder.track.route.route import Route, parse_route
from recorder.window.model.line.route_ahead import RouteAhead
from recorder.window.qt.frame.picture import render_window

if TYPE_CHECKING:
    from PyQt6.QtWidgets import QApplication

    from tests.recorder.window.conftest import FakeSession, Kit

TABLE = """chainage_m,end_chainage_m,kind,value,unit,name,direction,degree
0,,station,,,Ambleford,,
100,,milepost,10,,,,
0,2000,grade,0,,,,
2000,5000,grade,1.0,%,,,
1700,,milepost,11,,,,
2300,2700,curve,,,,right,3
3310,,milepost,12,,,,
0,5000,speed_limit,60,km/h,,,
"""


@pytest.fixture
def route() -> Route:
    return parse_route(TABLE, source="route.csv")


def post(number: str, distance: float) -> tuple[Mark, float]:
    return Mark(mark_id=number, kind="milepost", t_s=0.0, value=number), distance


def test_by_the_wheel_alone_when_the_start_is_known(route: Route) -> None:
    ahead = RouteAhead(route, start_m=50.0)
    assert ahead.chainage_m(1000.0) == pytest.approx(1050.0)
    found = ahead.next_post(1000.0)
    assert found is not None
    assert found[0].label == "11"
    assert found[1] == pytest.approx(650.0)


def test_nothing_says_where_before_a_post_is_keyed(route: Route) -> None:
    ahead = RouteAhead(route)
    assert math.isnan(ahead.chainage_m(100.0))
    assert ahead.strip(100.0) is None
    assert ahead.next_post(100.0) is None
    assert ahead.coming(100.0) == []
    ahead.note_marks([post("11", 500.0)])
    assert ahead.chainage_m(600.0) == pytest.approx(1800.0)


def test_posts_put_the_wheel_right(route: Route) -> None:
    ahead = RouteAhead(route, start_m=50.0)
    ahead.note_marks([post("11", 1630.0)])
    assert ahead.chainage_m(1630.0) == pytest.approx(1700.0)


def test_a_wrong_post_is_not_believed(route: Route) -> None:
    ahead = RouteAhead(route, start_m=50.0)
    ahead.note_marks([post("12", 1000.0)])
    assert ahead.chainage_m(1000.0) == pytest.approx(1050.0)


def test_a_withdrawn_or_corrected_post_is_let_go(route: Route) -> None:
    ahead = RouteAhead(route, start_m=50.0)
    ahead.note_marks([post("11", 1630.0)])
    ahead.note_marks([])
    assert ahead.chainage_m(1630.0) == pytest.approx(1680.0)


def test_down_the_chainage_everything_turns(route: Route) -> None:
    ahead = RouteAhead(route, direction=-1, start_m=4000.0)
    assert ahead.chainage_m(500.0) == pytest.approx(3500.0)
    assert ahead.grade_pct(500.0) == pytest.approx(-1.0)
    found = ahead.next_post(500.0)
    assert found is not None
    assert found[0].label == "12"
    strip = ahead.strip(1600.0)
    assert strip is not None
    # Right-handed up the chainage is left-handed down it.
    assert np.nanmin(strip.curvature_per_m) < 0.0
    assert np.nanmax(strip.curvature_per_m) <= 0.0


def test_what_comes_is_told_nearest_first(route: Route) -> None:
    ahead = RouteAhead(route, start_m=1500.0)
    coming = ahead.coming(0.0, within_m=1500.0)
    assert [c.label for c in coming] == ["grade +1.00 %", "curve right R 582 m"]
    assert [c.metres for c in coming] == pytest.approx([500.0, 800.0])
    assert ahead.limit_m_s(0.0) == pytest.approx(60 / 3.6)


def test_a_run_with_a_route_shows_its_profile(
    tmp_path: Path, session: FakeSession, kit: Kit, application: QApplication
) -> None:
    del application
    file = tmp_path / "route.csv"
    file.write_text(TABLE)
    trip = kit.TRIP_SHEET + '\n[route]\nfile = "route.csv"\nstart_chainage_m = 900.0\n'
    session.header = kit.header(trip=trip)
    session.run_path = tmp_path / "run.h5"
    run = kit.make_run(session)
    kit.settle(run)
    kit.send_train(session, 20.0)
    kit.settle(run)
    assert run.ahead is not None
    at = session.header.started_monotonic_ns
    run.marks.press("M", at + 5_000_000_000)
    kit.settle(run)
    render_window(run, tmp_path / "w.png", (1024, 600))
    assert (tmp_path / "w.png").stat().st_size > 10_000
    run.close()


def test_a_route_kept_in_the_run_needs_no_file(session: FakeSession, kit: Kit) -> None:
    trip = kit.TRIP_SHEET + '\n[route]\nfile = "gone.csv"\nstart_chainage_m = 0.0\n'
    session.header = replace(kit.header(trip=trip), route=TABLE)
    run = kit.make_run(session)
    assert run.ahead is not None
    assert run.ahead.placed
    run.close()


@pytest.mark.parametrize("content", [None, "not,a,route\n1,2,3\n", "\x00\xff" * 50])
def test_a_route_that_is_missing_or_damaged_costs_only_the_profile(
    tmp_path: Path, session: FakeSession, kit: Kit, content: str | None
) -> None:
    trip = kit.TRIP_SHEET + '\n[route]\nfile = "route.csv"\n'
    session.header = kit.header(trip=trip)
    session.run_path = tmp_path / "run.h5"
    if content is not None:
        (tmp_path / "route.csv").write_text(content, encoding="latin-1")
    run = kit.make_run(session)
    assert run.ahead is None
    assert "no profile" in run.route_problem
    run.close()


def test_followed_live_the_wheel_is_put_right_with_its_uncertainty(route: Route) -> None:
    """A wheel 1 % out at 20 m/s, posts keyed half a second late, one of them with a wrong
    number and then withdrawn: the place is within its own uncertainty."""
    ahead = RouteAhead(route, start_m=60.0)
    keyed: list[tuple[Mark, float]] = []
    posts = {100.0: "10", 1700.0: "11", 3310.0: "17"}
    for i in range(2000):
        t = i * 0.1
        true = 50.0 + 20.0 * t
        wheel = 20.0 * t * 1.01
        ahead.follow(t, wheel)
        for s_m, label in list(posts.items()):
            if true >= s_m + 10.0:
                del posts[s_m]
                mark = Mark(mark_id=label, kind="milepost", t_s=t, value=label)
                keyed.append((mark, wheel))
        ahead.note_marks(keyed)
    assert len(keyed) == 3
    ahead.note_marks(keyed[:2])
    ahead.follow(200.0, 4040.0)
    assert abs(ahead.chainage_m(4040.0) - 4050.0) <= ahead.u95_m
    assert ahead.u95_m < 60.0
