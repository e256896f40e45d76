"""A step taken again with a reason stands where the first one stood; a hold is what is called one.

Drawn cases: a programme is read right at once, and again with blunders that were put right; both
must give the same classes and figures to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pytest

from calibration.bench.bench_reading import TakenReading
from calibration.bench.plan import PlanStep, make_plan
from calibration.bench.taken_readings import csv_of, readings_of
from calibration.evaluation.evaluation import evaluate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import Readings, ReadingsError
from calibration.readings.readings_csv import parse_readings
from calibration.readings.reference_standard import ReferenceStandard

CASES = 20
TIMED = frozenset(("iso376_class", "e74_class_a_range", "e74_class_aa_range"))
"""Figures that ask for the times between forces."""
SETTINGS = BenchSettings(
    reference_U_pct=0.005,
    issued=date(2026, 5, 4),
    forces_measured=True,
    readings_stood_still=True,
    standard=ReferenceStandard(
        serial="R 7", certificate="C 12", issued_by="a laboratory", traceability="national",
        calibrated=date(2026, 1, 10), valid_until=date(2027, 1, 10),
    ),
)  # fmt: skip


@dataclass(frozen=True)
class Drawn:
    """One drawn session: its plan, and what was taken with and without blunders."""

    plan: tuple[PlanStep, ...]
    right: list[TakenReading]
    blundered: list[TakenReading]
    n_repeats: int


def take(
    step: PlanStep, number: int, time_s: float, counts: float, force: float
) -> TakenReading:
    return TakenReading(
        number=number, step=step.number, applied_kN=force, applied_by="typed",
        applied_sd_kN=None, mean=counts, sd=3.0, n=100, seconds=5.0, stable=True,
        stability="stable", temperature_C=21.0, utc="2026-05-04T08:00:00+00:00",
        time_s=time_s, repeat_of=None, reason="",
    )  # fmt: skip


def draw(seed: int, *, late: bool) -> Drawn:
    """A whole programme with a creep test; some steps first read wrong, then put right.

    ``late``: the repeat follows some steps later in the same series, not at once.
    """
    rng = np.random.default_rng(seed)
    plan = make_plan(
        capacity_kN=500.0, steps=int(rng.integers(8, 12)), creep=True,
        senses=("tension", "compression") if rng.random() < 0.3 else ("tension",),
    )  # fmt: skip
    measured = bool(rng.random() < 0.5)
    right: list[TakenReading] = []
    time_s = 0.0
    for step in plan:
        time_s += {300.0: 270.0}.get(step.settle_s, 60.0)
        if right and plan[len(right) - 1].series != step.series:
            time_s += 180.0  # unloaded between two series
        force = step.applied_kN * (1.0 + (rng.normal(0.0, 2e-4) if measured else 0.0))
        counts = 1000.0 + 8000.0 * force + rng.normal(0.0, 30.0)
        right.append(take(step, len(right) + 1, time_s, counts, round(force, 4)))
    again = [i for i, s in enumerate(plan) if s.kind in ("step", "zero")]
    chosen = sorted(rng.choice(again, size=int(rng.integers(1, 6)), replace=False).tolist())
    blundered: list[TakenReading] = []
    waiting: list[tuple[int, TakenReading]] = []
    for i, good in enumerate(right):
        if i in chosen:
            off = replace(
                good,
                mean=good.mean + rng.choice((-1.0, 1.0)) * rng.uniform(2e4, 4e5),
                applied_kN=round(good.applied_kN * (1.0 + 1e-4 * measured), 4),
                time_s=good.time_s - 20.0,
            )
            blundered.append(off)
            waiting.append((i + (int(rng.integers(1, 4)) if late else 0), good))
        else:
            blundered.append(good)
        last = i + 1 == len(plan) or plan[i + 1].series != plan[i].series
        due = [w for w in waiting if last or w[0] <= i]
        waiting = [w for w in waiting if w not in due]
        for _, good_again in due:
            blundered.append(
                replace(good_again, reason="slip of the pen", time_s=right[i].time_s + 1.0)
            )
    return Drawn(plan, right, _numbered(blundered), len(chosen))


def _numbered(taken: list[TakenReading]) -> list[TakenReading]:
    latest: dict[int, int] = {}
    result = []
    for number, reading in enumerate(taken, start=1):
        of = latest.get(reading.step) if reading.reason else None
        result.append(replace(reading, number=number, repeat_of=of))
        latest[reading.step] = number
    return result


def figures(readings: Readings) -> list[tuple[str, str, object, str, object]]:
    """Everything that is figured of the readings; what was looked up of their times apart."""
    return [
        (part.name, f.name, f.value, f.reason,
         {key: value for key, value in f.detail.items() if key != "conditions"})
        for part in evaluate(readings, SETTINGS).senses
        for f in part.figures
    ]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("late", [False, True], ids=["at once", "later"])
@pytest.mark.parametrize("seed", range(CASES))
def test_a_repeat_keeps_class_and_figures_as_if_read_right_at_once(
    seed: int, late: bool
) -> None:
    drawn = draw(seed, late=late)
    expected = figures(readings_of(drawn.right, drawn.plan, source="right"))
    classes = [value for _, name, value, _, _ in expected if name == "iso376_class"]
    assert all(value is not None for value in classes)
    by_session = readings_of(drawn.blundered, drawn.plan, source="session")
    by_table = parse_readings(csv_of(drawn.blundered, drawn.plan, ()))
    plain = parse_readings(_without_step(csv_of(drawn.blundered, drawn.plan, ())))
    for readings in (by_session, by_table, plain):
        assert int(np.count_nonzero(readings.superseded)) == drawn.n_repeats
        got = figures(replace(readings, resolution=1.0))
        # A class also asks for the times between forces, which a late repeat does break.
        timed = TIMED if late else frozenset[str]()
        assert [f for f in got if f[1] not in timed] == [
            f for f in expected if f[1] not in timed
        ]


def _without_step(table: str) -> str:
    """The table of a person who knows no step numbers: repeats are told by force and place."""
    lines = [line.split(",") for line in table.splitlines()]
    at = lines[0].index("step")
    return "\n".join(",".join(c for i, c in enumerate(row) if i != at) for row in lines)


HEAD = "series,direction,applied_kN,reading,time_s,kind,repeat_reason\n"


def table(*rows: str) -> str:
    return HEAD + "".join(f"{row}\n" for row in rows)


def test_a_step_repeated_twice_leaves_the_last() -> None:
    r = parse_readings(
        table("1,up,0,0,0,,", "1,up,10,90,30,,", "1,up,10,95,60,,first", "1,up,10,100,90,,second",
              "1,up,20,200,120,,")
    )  # fmt: skip
    assert r.superseded.tolist() == [False, True, True, False, False]


def test_a_repeated_largest_force_is_no_hold() -> None:
    """Same force, later time, at the top: a repeat all the same."""
    r = parse_readings(
        table("1,up,0,0,0,,", "1,up,10,100,30,,", "1,up,20,150,60,,",
              "1,up,20,200,330,,slipped", "2,up,0,0,400,,", "2,up,10,101,430,,",
              "2,up,20,201,460,,")
    )  # fmt: skip
    loads = evaluate(r, SETTINGS).senses[0]
    assert loads.loads.mean_at_levels().tolist() == [100.5, 200.5]
    assert loads.figure("creep").value is None


def test_a_repeat_that_came_later_takes_the_place_of_the_first() -> None:
    """Directions not stated: the late repeat is no falling reading."""
    head = "series,applied_kN,reading,repeat_reason\n"
    r = parse_readings(head + "1,0,0,\n1,10,90,\n1,20,200,\n1,30,300,\n1,10,100,looked wrong\n")
    assert r.row.tolist() == [2, 3, 6, 4, 5]
    assert r.superseded.tolist() == [False, True, False, False, False]
    assert r.direction[r.used].tolist() == [1, 1, 1, 1]


@pytest.mark.parametrize(
    ("rows", "row"),
    [
        (("1,up,0,0,0,,", "1,up,10,100,30,,", "1,up,20,200,60,,why not"), 4),
        (("1,up,0,0,0,,", "1,up,10,100,30,,", "2,up,10,100,60,,other series"), 4),
        (("1,up,0,0,0,,", "1,up,10,100,30,,", "1,down,10,100,60,,other way"), 4),
        (("1,up,0,0,0,,first of all", "1,up,10,100,30,,", "1,up,20,200,60,,"), 2),
    ],
)
def test_a_reason_where_nothing_was_read_before_is_named(
    rows: tuple[str, ...], row: int
) -> None:
    with pytest.raises(ReadingsError, match=rf"row {row}: repeat_reason .* no earlier reading"):
        parse_readings(table(*rows))


@pytest.mark.parametrize(
    "force", ["20", "20.01"], ids=["same figure", "same force as measured"]
)
@pytest.mark.parametrize("later_s", [60, 330])
def test_equal_forces_are_never_taken_for_a_hold(force: str, later_s: int) -> None:
    rows = ["1,up,0,0,0,,", "1,up,10,100,30,,", "1,up,20,200,59,,"]
    with pytest.raises(
        ReadingsError, match=r"row 5: duplicate step.*repeat_reason.*kind creep"
    ):
        parse_readings(table(*rows, f"1,up,{force},201,{later_s},,"))


def test_a_hold_is_what_the_table_calls_one() -> None:
    rows = ["1,up,0,0,0,,", "1,up,10,100,30,,", "1,up,15,150,45,,",
            "1,up,20,200,60,,"]  # fmt: skip
    held = parse_readings(table(*rows, "1,up,20,201,330,creep,"))
    part = evaluate(held, SETTINGS).senses[0]
    assert part.figure("creep").value == pytest.approx(100.0 / 200.0)
    plain = evaluate(parse_readings(table(*rows)), SETTINGS).senses[0]
    assert part.loads.deflection.tolist() == plain.loads.deflection.tolist()


def test_holds_change_no_figure_but_their_own() -> None:
    """A creep test with its zeros, beside a whole programme: only creep is added."""
    drawn = draw(3, late=False)
    steps = [r for r in drawn.right if not drawn.plan[r.step - 1].series.endswith("creep")]
    with_hold = figures(readings_of(drawn.right, drawn.plan, source="s"))
    without = figures(readings_of(steps, drawn.plan, source="s"))
    # The class judges creep where it was read.
    own = ("creep", "iso376_class")
    assert [f for f in with_hold if f[1] not in own] == [f for f in without if f[1] not in own]
    assert next(f for f in with_hold if f[1] == "creep")[2] is not None


def test_nothing_but_holds_is_named() -> None:
    with pytest.raises(ReadingsError, match="every reading under force is of kind creep"):
        parse_readings(table("1,up,0,0,0,,", "1,up,20,200,30,creep,", "1,up,20,201,300,creep,"))
