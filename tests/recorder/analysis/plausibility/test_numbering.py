"""Mileposts of the sheet and of the crew against the route's."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from recorder.analysis.plausibility.doubt import CheckState, DoubtKind
from recorder.analysis.plausibility.evidence import Evidence
from recorder.analysis.plausibility.numbering import (
    check_keyed,
    check_sheet_numbers,
    keyed_posts,
)
from recorder.analysis.plausibility.rolling import check_posts
from recorder.analysis.plausibility.sheets_alone import check_sheets
from recorder.analysis.series.train import TrialTrain
from recorder.sheets import TripSheet, parse_trip_sheet
from recorder.track.route.route import parse_route
from tests.recorder.analysis.drawn_runs import INSTRUMENTS, basis, drawn, mark

FALLING = parse_route(
    "chainage_m,end_chainage_m,kind,value\n0,21000,grade,0\n"
    + "".join(f"{1000 * i},,milepost,{60 - i}\n" for i in range(1, 20)),
    source="line.csv",
)
"""Numbers fall as the chainage rises."""


def trip(first: str, step: float, direction: str = "increasing") -> TripSheet:
    return parse_trip_sheet(
        f'[trip]\nname = "T"\n[route]\nfile = "line.csv"\ndirection = "{direction}"\n'
        f"[mileposts]\n{first}step = {step}\n"
    )


@pytest.mark.parametrize(
    ("first", "step", "direction", "doubted"),
    [
        ("first = 59\n", -1, "increasing", False),
        ("first = 59\n", 1, "increasing", True),
        ("first = 41\n", 1, "decreasing", False),
        ("first = 41\n", -1, "decreasing", True),
        ("first = 160\n", -1, "increasing", True),
        ("", 1, "increasing", False),
    ],
)
def test_the_sheets_numbers(first: str, step: float, direction: str, doubted: bool) -> None:
    (found,) = check_sheet_numbers(trip(first, step, direction), FALLING)
    assert (found.doubt is not None) is doubted
    assert found.doubt is None or found.doubt.kind is DoubtKind.MILEPOSTS


def keyed(numbers: list[int], *, wheel: float = 1.0, direction: str = "increasing") -> Evidence:
    """Posts keyed every 100 s at 10 m/s; ``wheel`` is what it shows of a true metre."""
    series = drawn(np.full(20_000, 10.0), np.full(20_000, 50.0))
    series = replace(series, distance_m=series.distance_m * wheel)
    marks = tuple(mark("milepost", 100.0 * (i + 1), str(n)) for i, n in enumerate(numbers))
    run = basis("run", series, TrialTrain(), INSTRUMENTS, marks)
    braked = np.zeros(len(series), bool)
    return Evidence(run=run, braked=braked, trip=trip("", 1, direction), route=FALLING)


DOWN = list(range(59, 49, -1))


def test_numbers_as_the_route_has_them() -> None:
    evidence = keyed(DOWN)
    assert [c.doubt for c in (*check_keyed(evidence), *check_posts(evidence))] == [None, None]
    found = keyed_posts(evidence)
    assert found is not None
    assert found.ratio == pytest.approx(1.0, rel=1e-6)


@pytest.mark.parametrize("numbers", [DOWN[:3], [759, 758, 757]])
def test_three_numbers_tell_nothing(numbers: list[int]) -> None:
    """On the route or on none, three may be slips of the key."""
    (found,) = check_keyed(keyed(numbers))
    assert found.state is CheckState.NOT_CHECKED
    assert "numbers keyed: 3" in found.outcome


def test_no_trip_sheet_states_no_way() -> None:
    for numbers in (DOWN, DOWN[::-1]):
        (found,) = check_keyed(replace(keyed(numbers), trip=None))
        assert found.state is CheckState.PASSED
        assert "the way they run is not told" in found.outcome


def test_a_ratio_that_is_mostly_chance_bears_nothing_out() -> None:
    """Keyed two seconds or so astray on posts ten seconds apart."""
    rng = np.random.default_rng(3)
    evidence = keyed(DOWN)
    marks = tuple(
        replace(m, t_s=m.t_s + float(e))
        for m, e in zip(evidence.run.marks, 20.0 * rng.standard_normal(10), strict=True)
    )
    (found,) = check_posts(replace(evidence, run=replace(evidence.run, marks=marks)))
    assert found.state is CheckState.NOT_CHECKED
    assert "chance" in found.outcome


def test_one_slip_of_a_key_is_no_doubt() -> None:
    evidence = keyed([59, 58, 75, 56, 55, 54, 45, 52, 51])
    assert [c.doubt for c in (*check_keyed(evidence), *check_posts(evidence))] == [None, None]


@pytest.mark.parametrize(
    ("numbers", "direction"),
    [(DOWN[::-1], "increasing"), (DOWN, "decreasing"), ([n + 100 for n in DOWN], "increasing")],
)
def test_numbers_the_wrong_way_or_of_another_line(numbers: list[int], direction: str) -> None:
    (found,) = check_keyed(keyed(numbers, direction=direction))
    assert found.doubt is not None
    assert found.doubt.kind is DoubtKind.MILEPOSTS


@pytest.mark.parametrize(("wheel", "word"), [(1 / 1.609344, "mi"), (1.05, "no slip")])
def test_a_wheel_far_from_the_posts_is_doubted_without_a_placing(
    wheel: float, word: str
) -> None:
    (found,) = check_posts(keyed(DOWN, wheel=wheel))
    assert found.doubt is not None
    assert found.doubt.kind is DoubtKind.WHEEL
    assert word in found.doubt.text


SHEET = '[trip]\nname = "T"\n[locomotive]\nmass_t = {mass}\naxles = 6\nrated_power_kW = 2000\n'
PROMISE = "[specification]\npower_kW = {power}\nstarting_pull_kN = {pull}\n"


@pytest.mark.parametrize(
    ("mass", "power", "pull", "kinds"),
    [
        (120.0, 1800.0, 350.0, set()),
        (120.0, 2500.0, 350.0, {DoubtKind.POWER}),
        (120.0, 1800.0, 600.0, {DoubtKind.ADHESION}),
        (264.5, 1800.0, 350.0, {DoubtKind.MASS}),  # 120 t in thousands of pounds
        (700.0, 1800.0, 350.0, {DoubtKind.MASS}),
    ],
)
def test_what_the_sheets_alone_contradict(
    mass: float, power: float, pull: float, kinds: set[DoubtKind]
) -> None:
    text = SHEET.format(mass=mass) + PROMISE.format(power=power, pull=pull)
    found = check_sheets(parse_trip_sheet(text))
    assert {c.doubt.kind for c in found if c.doubt is not None} == kinds
