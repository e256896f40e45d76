"""What a route table says of the line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from recorder.track.route.geometry import radius_from_degree
from recorder.track.route.route import RouteError, load_route, parse_route

LINE = """\
chainage_m,end_chainage_m,kind,value,unit,direction,degree,spiral_in_m,spiral_out_m,name
0,,station,Ambleford,,,,,,
120,,milepost,0,,,,,,
0,900,grade,0,,,,,,
900,3400,grade,0.8,%,,,,,
3400,6000,grade,1 in -200,,,,,,
900,,vertical_curve,200,,,,,,
3300,3600,vertical_curve,,,,,,,
500,980,curve,,,left,2.5,60,80,
1735.5,,milepost,1,,,,,,
3300,,milepost,2,,,,,,
4950,,milepost,3,,,,,,
1000,4000,speed_limit,60,km/h,,,,,
3000,5000,speed_limit,30,mph,,,,,
2000,2210,tunnel,,,,,,,Long Tunnel
"""


def table(*rows: str, header: str = "chainage_m,end_chainage_m,kind,value,unit") -> str:
    return "\n".join((header, *rows)) + "\n"


def test_a_plain_route_reads_without_complaint() -> None:
    route = parse_route(LINE, source="line.csv")
    assert route.warnings == ()
    assert (route.s_min, route.s_max) == (0.0, 6000.0)
    assert [p.label for p in route.mileposts] == ["0", "1", "2", "3"]
    assert len(route.digest) == 64


def test_grade_with_vertical_curves_keeps_every_elevation_outside_them() -> None:
    route = parse_route(LINE, source="line.csv")
    assert route.grade_at([800, 900, 1000, 2000, 5000]) == pytest.approx(
        [0.0, 0.004, 0.008, 0.008, -0.005]
    )
    # The second curve is not even about its change of grade; the heights beyond still are.
    assert route.elevation_at([0.0, 1000.0, 3300.0, 3600.0, 6000.0]) == pytest.approx(
        [0.0, 0.8, 19.2, 20.0 - 1.0, 20.0 - 13.0], abs=1e-9
    )
    inside = route.elevation_at(np.linspace(3300, 3600, 4))
    assert (np.diff(route.grade_at(np.linspace(3301, 3599, 50))) < 0).all()
    # A summit curve lies below the point where the two straight grades meet (20 m).
    assert inside[1] < 20.0


def test_curvature_has_hand_and_linear_spirals() -> None:
    route = parse_route(LINE, source="line.csv")
    k = -1.0 / float(radius_from_degree(2.5))
    got = route.curvature_at([499, 500, 530, 560, 700, 900, 940, 980, 981])
    assert got == pytest.approx([0, 0, k / 2, k, k, k, k / 2, 0, 0], abs=1e-12)
    assert route.curvature_magnitude.value(530.0) == pytest.approx(-k / 2)


def test_lower_of_two_speed_limits_holds() -> None:
    route = parse_route(LINE, source="line.csv")
    limits = route.speed_limit_at([500, 1500, 3500, 4500, 5500])
    assert limits == pytest.approx(
        [np.nan, 60 / 3.6, 30 * 0.44704, 30 * 0.44704, np.nan], nan_ok=True
    )


def test_features_ahead_come_nearest_first_in_the_direction_of_travel() -> None:
    route = parse_route(LINE, source="line.csv")
    up = route.ahead(1500.0, 1, 2000.0, {"tunnel", "milepost"})
    assert [(round(m), f.label) for m, f in up] == [
        (236, "1"),
        (500, "Long Tunnel"),
        (1800, "2"),
    ]
    down = route.ahead(2500.0, -1, 2000.0, {"tunnel", "milepost"})
    assert [(round(m), f.label) for m, f in down] == [(290, "Long Tunnel"), (764, "1")]
    assert [f.name for f in route.features(2100, 2150, {"tunnel"})] == ["Long Tunnel"]


def test_next_milepost_both_ways() -> None:
    route = parse_route(LINE, source="line.csv")
    ahead, behind = route.next_milepost(1735.5, 1), route.next_milepost(1735.5, -1)
    assert ahead is not None
    assert behind is not None
    assert (ahead.label, behind.label) == ("2", "0")
    assert route.next_milepost(5000.0, 1) is None
    assert route.next_milepost(100.0, -1) is None


def test_posted_numbers_follow_long_miles_and_equations() -> None:
    text = table(
        "0,,milepost,10,",
        "1609,,milepost,11,",
        "3300,,milepost,12,",  # a long mile
        "4100,,equation,12.5 = 20.25,",
        "5300,,milepost,21,",
        "6000,,equation,21.5 = 40,",
        "6900,,milepost,39,",  # from here the numbers run down
        "8500,,milepost,38,",
    )
    route = parse_route(text, source="line.csv")
    assert [w for w in route.warnings if "milepost" in w] == []
    assert route.posted_at([0, 2454.5, 3700, 4700, 6450, 7700]) == pytest.approx(
        [10.0, 11.5, 12.25, 20.625, 39.5, 38.5]
    )
    assert float(route.posted_at(4100.0 - 1e-9)) == pytest.approx(12.5, abs=1e-6)
    assert float(route.posted_at(4100.0)) == pytest.approx(20.25)
    assert route.chainages_posted(12.25) == pytest.approx([3700.0])


def test_numbering_that_jumps_or_turns_without_an_equation_is_told() -> None:
    text = table(*(f"{i * 1000},,milepost,{n}," for i, n in enumerate([5, 6, 7, 9, 10, 9, 8])))
    warnings = " | ".join(parse_route(text, source="line.csv").warnings)
    assert "row 5: mileposts jump from 7 to 9" in warnings
    assert "row 7: mileposts run backwards from 10 to 9" in warnings


def test_grade_from_elevations_where_there_are_no_grade_rows() -> None:
    text = table(
        "0,,elevation,100,m", "1000,,elevation,108,m", "3000,,elevation,98,m",
        "1000,2000,grade,-0.3,",
    )  # fmt: skip
    route = parse_route(text, source="line.csv")
    assert route.grade_at([500, 1500, 2500]) == pytest.approx([0.008, -0.003, -0.005])
    assert route.elevation_at([0.0, 1000.0, 3000.0]) == pytest.approx([100.0, 108.0, 98.0])


def test_customary_units_and_stations() -> None:
    header = "chainage_ft,end_chainage_ft,kind,value,unit,direction,radius_ft,superelevation_in"
    text = table(
        "0+00,,elevation,1000,ft,,,", "52+80,,elevation,1052.8 ft,,,,",
        "10+50.5,20+00,curve,,,right,955,4", "0,,speed_limit,45 mph,,,,",
        header=header,
    )  # fmt: skip
    route = parse_route(text, source="line.csv")
    assert float(route.grade_at(100.0)) == pytest.approx(0.01)
    assert route.curves[0].s_m == pytest.approx(1050.5 * 0.3048)
    assert route.curves[0].radius_m == pytest.approx(955 * 0.3048)
    assert float(route.speed_limit_at(10.0)) == pytest.approx(45 * 0.44704)


def test_kilometres_with_plus_signs() -> None:
    text = table(
        "12+345.6,,milepost,12,", "13+350,,milepost,13,",
        header="chainage_km,end_chainage_km,kind,value,unit",
    )  # fmt: skip
    route = parse_route(text, source="line.csv")
    assert [p.s_m for p in route.mileposts] == pytest.approx([12345.6, 13350.0])


@pytest.mark.parametrize(
    ("value", "unit", "slope"),
    [
        ("0.8", "", 0.008), ("8", "‰", 0.008), ("-0,8 %", "", -0.008), ("1 in 80", "", 0.0125),
        ("1:-80", "", -0.0125), ("-1 in 80", "", -0.0125), ("level", "", 0.0),
        ("52.8", "ft/mi", 0.01), ("−1.25", "", -0.0125),
    ],
)  # fmt: skip
def test_ways_to_write_a_grade(value: str, unit: str, slope: float) -> None:
    text = table(
        f"0;1000;grade;{value};{unit}", header="chainage_m;end_chainage_m;kind;value;unit"
    )
    assert float(parse_route(text, source="x").grade_at(500.0)) == pytest.approx(slope)


def test_a_file_that_is_not_there_is_the_systems_own_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        load_route(tmp_path / "none.csv")


def test_reading_from_a_file_names_it_in_every_line(tmp_path: Path) -> None:
    file = tmp_path / "ambleford.csv"
    file.write_text(table("0,100,grade,60,"), encoding="utf-8")
    with pytest.raises(RouteError, match=r"ambleford\.csv: row 2: grade 60"):
        load_route(file)
