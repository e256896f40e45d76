"""No class without what the standard asks of the calibration itself; what is missing is said."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from calibration.evaluation.evaluation import evaluate
from calibration.figures.figure import Figure
from calibration.readings.readings import Readings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import class_csv, stated

GOOD = parse_readings(class_csv())


def judged(readings: Readings, **facts: object) -> Figure:
    return evaluate(readings, stated(**facts)).senses[0].figure("iso376_class")


def states(figure: Figure) -> dict[str, str]:
    return {c["name"]: c["state"] for c in figure.detail["conditions"]}


def where(readings: Readings, series: str) -> np.ndarray[Any, np.dtype[np.bool_]]:
    return np.array([readings.series_names[s] == series for s in readings.series])


def sooner(readings: Readings, seconds: float, *, at: int = 3) -> Readings:
    """One reading of X3, and every later one, so much nearer to the one before it."""
    row = np.flatnonzero(where(readings, "X3"))[at]
    later = np.arange(len(readings)) >= row
    return replace(readings, time_s=readings.time_s - seconds * later)


def without(readings: Readings, mask: np.ndarray[Any, np.dtype[np.bool_]]) -> Readings:
    return readings.pick(~mask)


def warmer(readings: Readings, kelvin: float, *, series: str = "") -> Readings:
    mask = where(readings, series) if series else np.ones(len(readings), dtype=np.bool_)
    return replace(readings, temperature_C=readings.temperature_C + kelvin * mask)


def preloaded(readings: Readings, share: float) -> Readings:
    """Preloads to a share of the largest force."""
    mask = np.array(readings.kind) == "preload"
    return replace(readings, applied=np.where(mask, readings.applied * share, readings.applied))


def turned(*positions: int) -> Readings:
    return parse_readings(class_csv(positions=positions))


@pytest.mark.parametrize(
    ("change", "name", "state"),
    [
        (lambda _: turned(0, 12, 24), "rotation", "not held"),
        (lambda _: turned(0, 90, 180), "rotation", "not held"),
        (lambda _: turned(0, 120, 220), "rotation", "not held"),
        (lambda r: without(r, np.array(r.kind) == "preload"), "preloads", "not known"),
        (lambda _: parse_readings(class_csv(preloads=2)), "preloads", "not held"),
        (lambda r: without(r, where(r, "PX5")), "preloads", "not held"),
        (lambda r: preloaded(r, 0.9), "preloads", "not held"),
        (lambda r: sooner(r, 5.0), "wait", "not held"),
        (lambda r: sooner(r, -60.0), "intervals", "not held"),
        (lambda r: sooner(r, 100.0, at=0), "rest", "not held"),
        (lambda r: replace(r, time_s=np.full(len(r), np.nan)), "wait", "not known"),
        (lambda r: warmer(r, 8.0), "temperature", "not held"),
        (lambda r: warmer(r, -4.0), "temperature", "not held"),
        (lambda r: warmer(r, 2.5, series="X5"), "temperature steady", "not held"),
        (lambda r: replace(r, temperature_C=np.full(len(r), np.nan)), "temperature steady",
         "not known"),
        (lambda r: without(r, where(r, "X2") & (r.applied == 0.0)
                           & (np.arange(len(r)) > 20)), "zeros", "not known"),
        (lambda r: without(r, np.isin(r.applied, (100.0, 150.0))), "forces", "not held"),
        (lambda r: without(r, r.applied < 300.0), "forces", "not held"),
    ],
)  # fmt: skip
def test_each_condition_by_itself_keeps_the_class(
    change: Callable[[Readings], Readings], name: str, state: str
) -> None:
    assert judged(GOOD).value == "00"
    figure = judged(change(GOOD))
    assert figure.value is None
    assert states(figure)[name] == state
    assert name in figure.reason
    told = next(c for c in figure.detail["conditions"] if c["name"] == name)
    assert told["got"]
    assert told["allowed"]
    assert bool(told["to_know"]) == (state == "not known")


@pytest.mark.parametrize(
    ("facts", "name", "state"),
    [
        ({"reference_U_pct": None}, "uncertainty of the applied force", "not known"),
        ({"reference_U_pct": 0.11}, "uncertainty of the applied force", "not held"),
        ({"standard": {}}, "reference standard", "not known"),
        ({"standard": {}}, "traceability", "not known"),
        ({"issued": "2027-06-02"}, "reference standard valid", "not held"),
        ({"laboratory": {"began": "2025-05-30", "ended": "2026-05-03"}},
         "reference standard valid", "not held"),
        ({"issued": None}, "reference standard valid", "not known"),
        ({"valid_months": 27}, "validity", "not held"),
        ({"forces_measured": None}, "applied force measured", "not known"),
        ({"forces_measured": False}, "applied force measured", "not held"),
        ({"readings_stood_still": None}, "readings undoubted", "not known"),
        ({"readings_stood_still": False}, "readings undoubted", "not held"),
        ({"resolution": 20000.0}, "resolution", "not held"),
        ({"capacity_kN": 20000.0}, "lowest force", "not held"),
    ],
)  # fmt: skip
def test_each_stated_fact_by_itself_keeps_the_class(
    facts: dict[str, object], name: str, state: str
) -> None:
    figure = judged(GOOD, **facts)
    assert figure.value is None
    assert states(figure)[name] == state
    assert name in figure.reason


@pytest.mark.parametrize("positions", [(0, 120, 240), (0, 240, 120), (30, 150, 270),
                                       (300, 60, 180), (0, 125, 235)])  # fmt: skip
def test_a_third_of_a_turn_is_one_whichever_way_and_from_wherever(
    positions: tuple[int, int, int],
) -> None:
    assert judged(turned(*positions)).value == "00"


def test_a_whole_turn_is_the_same_position() -> None:
    """0 and 360 degrees are one position: this is no rotation through 0, 180 and 360."""
    figure = judged(turned(0, 180, 360))
    assert figure.value is None
    assert "1 rotated position(s)" in figure.reason


@pytest.mark.parametrize("again", [360, 0.4, 355.0, 9.9])
def test_the_second_series_a_little_off_the_first_is_at_its_position(again: float) -> None:
    position = np.where(where(GOOD, "X2"), again, GOOD.position_deg)
    assert judged(replace(GOOD, position_deg=position)).value == "00"
    away = np.where(where(GOOD, "X2"), 20.0, GOOD.position_deg)
    assert "same position" in judged(replace(GOOD, position_deg=away)).reason


def test_falling_a_little_off_its_rising_is_at_its_position() -> None:
    falls = where(GOOD, "X3") & (GOOD.direction < 0)
    position = np.where(falls, 120.4, GOOD.position_deg)
    figure = judged(replace(GOOD, position_deg=position))
    assert figure.value == "00"
    assert figure.detail["case"] == "incremental and decremental"


def test_a_step_taken_again_at_once_breaks_no_interval() -> None:
    lines = class_csv().splitlines()
    head, rows = lines[0] + ",repeat_reason", [line + "," for line in lines[1:]]
    at = next(i for i, row in enumerate(rows) if row.startswith("X3,120,up,150"))
    made = []
    for i, row in enumerate(rows):
        for late, reason in enumerate(("", "pressed too far") if i == at else ("",)):
            cells = row.split(",")
            cells[6] = f"{float(cells[6]) + 30.0 * (late + (i > at)):g}"
            made.append(",".join([*cells[:8], reason]))
    figure = judged(parse_readings("\n".join([head, *made])))
    assert figure.value == "00"
    assert figure.detail["conditions"]


def test_two_missing_things_are_both_told_and_how_to_mend_them() -> None:
    figure = judged(GOOD, standard={}, reference_U_pct=None)
    assert figure.reason.startswith("not assessed: ")
    for words in ("reference standard: not stated: serial number", "state it in the table",
                  "traceability: not stated", "state reference_U_pct"):  # fmt: skip
        assert words in figure.reason


@pytest.mark.parametrize("creep", [True, False])
def test_without_falling_series_creep_makes_the_case(creep: bool) -> None:
    rising = without(GOOD, (GOOD.direction < 0) & (GOOD.applied > 0.0))
    if creep:
        rising = with_hold(rising)
    figure = judged(rising)
    if creep:
        assert figure.reason == "class 00, tension, 50 to 500 kN, incremental only"
        assert "v" not in figure.detail["worst_pct"]
    else:
        assert figure.value is None
        assert states(figure)["case"] == "not known"
        assert "neither falling series" in figure.reason


def with_hold(readings: Readings) -> Readings:
    """A hold at the largest force, in a series of its own, at 30 s and 300 s."""
    text = "\n".join(
        ["series,position_deg,direction,applied_kN,reading,temperature_C,time_s,kind"]
        + [
            f"{readings.series_names[readings.series[i]]},{readings.position_deg[i]:g},"
            f"{'up' if readings.direction[i] > 0 else 'down'},{readings.applied[i]:g},"
            f"{readings.reading[i]:.0f},21,{readings.time_s[i]:g},{readings.kind[i]}"
            for i in range(len(readings))
        ]
        + ["creep,240,up,0,1000,21,8000,creep", "creep,240,up,500,4001000,21,8030,creep",
           "creep,240,up,500,4001100,21,8300,creep"]
    )  # fmt: skip
    return parse_readings(text)


def test_falling_series_at_one_position_alone_are_no_case() -> None:
    figure = judged(
        without(GOOD, where(GOOD, "X5") & (GOOD.direction < 0) & (GOOD.applied > 0))
    )
    assert figure.value is None
    assert states(figure)["case"] == "not known"


def test_a_falling_force_not_taken_is_no_force_that_holds() -> None:
    figure = judged(without(GOOD, (GOOD.direction < 0) & (GOOD.applied == 100.0)))
    assert figure.value is None
    assert states(figure)["case"] == "not known"
