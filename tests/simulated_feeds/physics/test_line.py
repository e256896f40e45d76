"""The invented lines, held against the recorder's own reading of their route tables."""

from __future__ import annotations

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from recorder.track.route.route import parse_route
from simulated_feeds.physics.line import SimulatedLine
from simulated_feeds.physics.scenery import demo_line, invent_line

LINES = [demo_line(), invent_line(30.0, 2), invent_line(200.0, 9)]


@pytest.mark.parametrize("line", LINES, ids=lambda line: line.name)
def test_the_recorder_reads_the_same_line(line: SimulatedLine) -> None:
    """Two programs, written apart from one table, agree on grade, height and curvature."""
    route = parse_route(line.to_csv(coordinates=False), source="route.csv")
    assert route.warnings == ()
    s = np.linspace(10.0, line.length_m - 10.0, 5001)
    near = np.min(np.abs(s[:, None] - line.grade.x[None, :]), axis=1) > 0.01
    assert route.grade_at(s)[near] == pytest.approx(line.grade.value(s)[near], abs=2e-7)
    assert route.elevation_at(s) == pytest.approx(line.elevation(s), abs=0.02)
    assert route.curvature_at(s) == pytest.approx(line.curvature.value(s), abs=2e-7)
    limit = line.limit_table(10.0)[(s / 10.0).astype(int)]
    assert np.mean(np.abs(route.speed_limit_at(s) - limit) < 1e-9) > 0.99
    assert len(route.mileposts) == len(line.posts)
    assert [f.name for f in route.features(0, 1e7, {"station"})] == [
        p.name for p in line.stations
    ]


def test_coordinates_lie_on_the_ground() -> None:
    """Geodesic lengths between points 20 m apart (Karney's algorithm) are the chainage's, and
    so is the bearing.
    """
    line = demo_line()
    s = np.arange(0.0, 20_000.0, 20.0)
    latitude, longitude = line.latlon(s)
    bend = line.bend.value(s)
    for i in range(0, s.size - 1, 37):
        found = Geodesic.WGS84.Inverse(
            latitude[i], longitude[i], latitude[i + 1], longitude[i + 1]
        )
        sagitta = (bend[i] * 20.0) ** 2 / 24.0 * 20.0
        assert found["s12"] == pytest.approx(20.0, abs=0.002 + sagitta)
        bearing = float(line.heading(s[i] + 10.0))
        turn = (found["azi1"] - bearing + 180.0) % 360.0 - 180.0
        assert abs(turn) < 0.05 + np.degrees(bend[i]) * 10.0


def test_route_table_with_coordinates_places_the_line() -> None:
    line = demo_line()
    route = parse_route(line.to_csv(), source="route.csv")
    s = np.linspace(100.0, 40_000.0, 400)
    latitude, longitude = route.latlon_at(s)
    want_latitude, want_longitude = line.latlon(s)
    north = (latitude - want_latitude) * 111_200.0
    east = (longitude - want_longitude) * 111_200.0 * np.cos(np.radians(-47.3))
    assert np.hypot(north, east).max() < 1.5


def test_posts_are_seldom_just_a_step_apart() -> None:
    line = invent_line(200.0, 4)
    gaps = np.diff([p.s_m for p in line.posts])
    assert len(line.posts) >= 195
    assert np.std(gaps) > 5.0
    assert np.all(np.diff([p.number for p in line.posts]) == 1)


def test_same_seed_same_line() -> None:
    assert invent_line(50.0, 7).to_csv() == invent_line(50.0, 7).to_csv()
    assert invent_line(50.0, 7).to_csv() != invent_line(50.0, 8).to_csv()
