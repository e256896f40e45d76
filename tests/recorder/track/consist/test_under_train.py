"""Grade and curve under a train, against summing over small slices of it."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.sheets import parse_trip_sheet
from recorder.track.consist.train_shape import Body, TrainShape
from recorder.track.consist.under_train import UnderTrain, ruling_grades
from recorder.track.route.route import Route, parse_route

LINE = """\
chainage_m,end_chainage_m,kind,value,direction,radius_m,spiral_in_m,spiral_out_m
0,2000,grade,0.4,,,,
2000,2600,grade,-0.9,,,,
2600,9000,grade,1.2,,,,
1900,2200,vertical_curve,,,,,
500,1200,curve,,left,400,80,80
1200,1900,curve,,right,600,60,0
3000,3400,curve,,right,300,50,50
"""

SHEET = """
[trip]
name = "Trial"
[locomotive]
mass_t = 120
length_m = 20
[test_car]
mass_t = 40
length_m = 18
[[consist.cars]]
count = 10
mass_t = 20
load_t = 60
length_m = 14
[[consist.cars]]
count = 5
mass_t = 22
length_m = 12
"""


@pytest.fixture(scope="module")
def route() -> Route:
    return parse_route(LINE, source="line.csv")


@pytest.fixture(scope="module")
def shape() -> TrainShape:
    return TrainShape.from_trip(parse_trip_sheet(SHEET))


def sliced(route: Route, body: Body, s: float, facing: int) -> tuple[float, float, float]:
    """Means by ten thousand slices."""
    grades, bends, heights = 0.0, 0.0, 0.0
    for rear, front, mass in zip(body.rear_m, body.front_m, body.mass_t, strict=True):
        at = s + facing * (rear + (np.arange(10_000) + 0.5) / 10_000 * (front - rear))
        grades += facing * mass * float(route.grade_at(at).mean())
        bends += mass * float(np.abs(route.curvature_at(at)).mean())
        heights += mass * float(route.elevation_at(at).mean())
    total = body.total_t
    return grades / total, bends / total, heights / total


@pytest.mark.parametrize("facing", [1, -1])
@pytest.mark.parametrize("s", [700.0, 1250.0, 2010.0, 2650.0, 3333.0])
def test_means_against_slices(route: Route, shape: TrainShape, s: float, facing: int) -> None:
    under = UnderTrain(route, shape).at([s], facing)
    assert shape.trailing is not None
    assert shape.locomotive is not None
    grade, bend, _ = sliced(route, shape.trailing, s, facing)
    assert under.trailing_grade[0] == pytest.approx(grade, abs=2e-6)
    assert under.trailing_curvature_per_m[0] == pytest.approx(bend, rel=2e-4, abs=1e-9)
    grade, bend, _ = sliced(route, shape.locomotive, s, facing)
    assert under.locomotive_grade[0] == pytest.approx(grade, abs=2e-6)
    assert under.locomotive_curvature_per_m[0] == pytest.approx(bend, rel=2e-3, abs=1e-9)


def test_work_against_grade_is_the_rise_of_the_centre_of_mass(
    route: Route, shape: TrainShape
) -> None:
    """Σ grade·ds over a run equals the change of mean elevation: energy closes."""
    s = np.arange(400.0, 8000.0, 0.5)
    under = UnderTrain(route, shape).at(s)
    climbed = float(np.trapezoid(under.trailing_grade, s))
    assert shape.trailing is not None
    low, high = (sliced(route, shape.trailing, at, 1)[2] for at in (s[0], s[-1]))
    assert climbed == pytest.approx(high - low, abs=1e-4)


def test_shape_from_the_trip_sheet(shape: TrainShape) -> None:
    assert shape.notes == ()
    assert shape.front_m == 20.0
    assert shape.rear_m == -(18.0 + 140.0 + 60.0)
    assert shape.trailing is not None
    assert shape.trailing.total_t == pytest.approx(40 + 800 + 110)


def test_what_the_sheet_does_not_say_is_noted(route: Route) -> None:
    bare = parse_trip_sheet('[trip]\nname = "x"\n[consist]\nmass_t = 900\n')
    shape = TrainShape.from_trip(bare)
    assert shape.locomotive is None
    assert any("no length stated" in n for n in shape.notes)
    under = UnderTrain(route, shape).at([1000.0])
    assert under.trailing_grade[0] == pytest.approx(0.004)
    assert np.isnan(under.locomotive_grade[0])


def test_where_the_line_is_not_known_there_is_no_mean(shape: TrainShape) -> None:
    text = "chainage_m,end_chainage_m,kind,value\n0,1000,grade,1\n1500,3000,grade,1\n"
    under = UnderTrain(parse_route(text, source="x"), shape).at([200.0, 900.0, 1100.0, 1800.0])
    assert np.isnan(under.trailing_grade).tolist() == [True, False, True, False]
    assert np.isnan(under.locomotive_grade).tolist() == [False, False, True, False]


def test_many_positions_are_one_call(route: Route, shape: TrainShape) -> None:
    s = np.linspace(300.0, 8500.0, 300_001)
    many = UnderTrain(route, shape).at(s)
    few = UnderTrain(route, shape).at(s[::1000])
    assert many.trailing_grade[::1000] == pytest.approx(few.trailing_grade, abs=1e-15)


def test_ruling_grades_count_curve_and_direction(route: Route) -> None:
    up = ruling_grades(route, 300.0)
    assert up[0].grade == pytest.approx(0.012)
    assert 2950.0 <= up[0].from_m <= 3150.0
    # 1.2 % and a 300 m curve: 0.012 + 0.69855/300 at most (AREA, 0.8 lb/ton per degree).
    assert 1.0 / 700.0 < up[0].curvature_per_m <= 1.0 / 300.0
    down = ruling_grades(route, 300.0, direction=-1)
    assert down[0].grade == pytest.approx(0.009, abs=5e-4)
    assert 1900 <= down[0].from_m <= 2400
    assert ruling_grades(route, 20_000.0) == []
    with pytest.raises(ValueError, match="length of the train"):
        ruling_grades(route, 0.0)


@pytest.mark.parametrize("part", [(1.0, 0.0, 5.0), (0.0, 1.0, 0.0), (0.0, np.nan, 1.0)])
def test_bodies_that_cannot_be_are_refused(part: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="part"):
        Body.of([part])
