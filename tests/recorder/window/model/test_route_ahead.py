"""The train on its route: by the wheel, put right by mileposts."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from recorder.marks.mark import Mark
from recorder.track.placing.anchors import GnssFixes
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


SPEED_M_S = 10.0


def rolled(ahead: RouteAhead, distance_m: float) -> RouteAhead:
    """Followed from the start of the run at 10 m/s."""
    for i in range(round(distance_m / SPEED_M_S) + 1):
        ahead.follow(float(i), SPEED_M_S * i)
    return ahead


def post(number: str, distance_m: float) -> Mark:
    """Keyed with the usual half second of delay where the wheel stood at a distance."""
    t_s = distance_m / SPEED_M_S + 0.5
    return Mark(mark_id=number, kind="milepost", t_s=t_s, value=number)


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
    rolled(ahead, 600.0).note_marks([post("11", 500.0)])
    ahead.follow(60.0, 600.0)
    assert ahead.chainage_m(600.0) == pytest.approx(1800.0, abs=5.0)


def test_posts_put_the_wheel_right(route: Route) -> None:
    ahead = rolled(RouteAhead(route, start_m=50.0), 1640.0)
    assert ahead.chainage_m(1630.0) == pytest.approx(1680.0)
    ahead.note_marks([post("11", 1630.0)])
    ahead.follow(164.0, 1640.0)
    assert ahead.chainage_m(1630.0) == pytest.approx(1700.0, abs=5.0)


def test_a_wrong_post_is_not_believed(route: Route) -> None:
    ahead = rolled(RouteAhead(route, start_m=50.0), 1010.0)
    ahead.note_marks([post("12", 1000.0)])
    ahead.follow(101.0, 1010.0)
    assert ahead.chainage_m(1000.0) == pytest.approx(1050.0, abs=5.0)
    assert ahead.doubted_post.startswith("milepost 12 is not where the train was")


def test_a_withdrawn_or_corrected_post_is_let_go(route: Route) -> None:
    ahead = rolled(RouteAhead(route, start_m=50.0), 1640.0)
    for marks, wanted_m in (([post("11", 1630.0)], 1700.0), ([], 1680.0)):
        ahead.note_marks(marks)
        ahead.follow(164.0, 1640.0)
        assert ahead.chainage_m(1630.0) == pytest.approx(wanted_m, abs=5.0)
        assert ahead.doubted_post == ""


def test_marks_keyed_before_the_wheel_is_heard_count_from_its_first_record(
    route: Route,
) -> None:
    """A window that opens late is told of all marks at once."""
    ahead = RouteAhead(route)
    ahead.note_marks([post("11", 0.0)])
    rolled(ahead, 100.0)
    assert ahead.chainage_m(100.0) == pytest.approx(1800.0, abs=5.0)


def test_a_train_that_sets_back_has_other_things_ahead(route: Route) -> None:
    ahead = rolled(RouteAhead(route, start_m=1500.0), 500.0)
    forward = ahead.next_post(500.0)
    for i in range(20):
        ahead.follow(51.0 + i, 500.0 - 2.0 * i)
    back = ahead.next_post(462.0)
    assert forward is not None
    assert back is not None
    assert (forward[0].label, back[0].label) == ("12", "11")


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
    keyed: list[Mark] = []
    posts = {100.0: "10", 1700.0: "11", 3310.0: "17"}
    for i in range(2000):
        t = i * 0.1
        true = 50.0 + 20.0 * t
        wheel = 20.0 * t * 1.01
        ahead.follow(t, wheel)
        for s_m, label in list(posts.items()):
            if true >= s_m + 10.0:
                del posts[s_m]
                keyed.append(Mark(mark_id=label, kind="milepost", t_s=t, value=label))
        ahead.note_marks(keyed)
    assert len(keyed) == 3
    ahead.note_marks(keyed[:2])
    ahead.follow(200.0, 4040.0)
    assert abs(ahead.chainage_m(4040.0) - 4050.0) <= ahead.u95_m
    assert ahead.u95_m < 60.0


SURVEYED = """chainage_m,kind,value,latitude_deg,longitude_deg
0,milepost,10,47.0,8.0
20000,milepost,30,47.17985,8.0
"""
"""Due north: 111 186 m a degree at 47° N on WGS 84, from memory."""


def test_fixes_place_the_train_without_a_post() -> None:
    ahead = RouteAhead(parse_route(SURVEYED, source="r"))
    for i in range(100):
        t = np.array([i - 0.2])
        ahead.follow(float(i), 10.0 * i)
        north = 47.0 + (3000.0 + 10.0 * t) / 111_205.0
        ahead.note_fixes(GnssFixes(t_s=t, latitude_deg=north, longitude_deg=np.array([8.0])))
    ahead.follow(100.0, 1000.0)
    assert ahead.chainage_m(1000.0) == pytest.approx(4000.0, abs=10.0)
    assert ahead.u95_m < 20.0
    assert not ahead.fixes_doubted
