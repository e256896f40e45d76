"""The line on the ground, against geodesics by pyproj (PROJ)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from pyproj import Geod

from recorder.track.route.route import Route, parse_route

if TYPE_CHECKING:
    from tests.recorder.track.conftest import Line

GEOD = Geod(ellps="WGS84")
HEADER = "chainage_m,end_chainage_m,kind,value,direction,radius_m,latitude_deg,longitude_deg\n"


def straight(
    a: tuple[float, float], bearing: float, length: float, chainage: float | None = None
) -> Route:
    lon, lat, _ = GEOD.fwd(a[1], a[0], bearing, length)
    end = length if chainage is None else chainage
    return parse_route(
        f"{HEADER}0,,milepost,0,,,{a[0]},{a[1]}\n{end},,milepost,1,,,{lat:.12f},{lon:.12f}\n",
        source="line.csv",
    )


@pytest.mark.parametrize("start", [(47.0, 8.0), (-33.5, 151.0), (0.0, 0.0), (68.0, 179.9)])
@pytest.mark.parametrize("bearing", [0.0, 63.0, 180.0, 271.0])
def test_a_straight_line_is_the_geodesic(start: tuple[float, float], bearing: float) -> None:
    route = straight(start, bearing, 8000.0)
    s = np.linspace(0.0, 8000.0, 41)
    lat, lon = route.latlon_at(s)
    want_lon, want_lat, _ = GEOD.fwd(
        np.full(41, start[1]), np.full(41, start[0]), np.full(41, bearing), s
    )
    _, _, away = GEOD.inv(lon, lat, want_lon, want_lat)
    assert np.max(np.abs(away)) < 0.01
    assert np.max(np.abs(lon)) <= 180.0


def test_positions_go_back_to_their_chainage() -> None:
    route = straight((47.0, 8.0), 120.0, 9000.0, 9000.0)
    s = np.linspace(10.0, 8990.0, 300)
    lat, lon = route.latlon_at(s)
    assert route.alignment is not None
    back, away = route.alignment.locate(lat, lon)
    assert back == pytest.approx(s, abs=0.01)
    assert away.max() < 0.01
    # 30 m to the side is 30 m away, at the same chainage.
    side_lon, side_lat, _ = GEOD.fwd(lon, lat, np.full(s.size, 30.0), np.full(s.size, 30.0))
    back, away = route.alignment.locate(side_lat, side_lon)
    assert away == pytest.approx(30.0, abs=0.05)
    assert back == pytest.approx(s, abs=0.2)


def test_between_posts_the_curves_give_the_shape(long_line: Line) -> None:
    """Posts a kilometre apart on a line of 350 m curves: the shape is right to half a metre."""
    route = long_line.route()
    s = np.arange(500.0, 204_000.0, 37.0)
    lat, lon = route.latlon_at(s)
    want_lat = np.interp(s, long_line.s_m, long_line.latitude_deg)
    want_lon = np.interp(s, long_line.s_m, long_line.longitude_deg)
    _, _, away = GEOD.inv(lon, lat, want_lon, want_lat)
    assert np.max(np.abs(away)) < 0.5


def test_beyond_the_coordinates_nothing_is_made_up() -> None:
    route = parse_route(
        HEADER + "0,,milepost,0,,,,\n500,,point,,,,47,8\n1500,,point,,,,47.009,8\n"
        "2000,,milepost,1,,,,\n",
        source="line.csv",
    )
    lat, lon = route.latlon_at([100.0, 1000.0, 1900.0])
    assert np.isnan([lat[0], lon[0], lat[2], lon[2]]).all()
    assert lat[1] == pytest.approx(47.0045, abs=1e-6)


def test_positions_that_are_no_numbers_give_none() -> None:
    route = straight((47.0, 8.0), 90.0, 1000.0)
    assert route.alignment is not None
    s, away = route.alignment.locate([np.nan, 47.0], [8.0, np.inf])
    assert np.isnan(s).all()
    assert np.isnan(away).all()


def test_without_two_coordinates_there_is_no_alignment() -> None:
    route = parse_route(HEADER + "0,,milepost,0,,,47,8\n900,,milepost,1,,,,\n", source="x")
    assert route.alignment is None
    assert np.isnan(route.latlon_at([10.0])[0]).all()
