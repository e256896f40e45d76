"""Holds, preloads and restless indications: no figure hides what they contradict."""

from __future__ import annotations

import pytest

from calibration.doubts.doubt import DoubtKind
from calibration.doubts.doubtful_rows import doubtful_rows
from tests.calibration.bench_tables import class_csv
from tests.calibration.doubts.drawn_tables import Row, rows_of, table_of

APPLIED, READING, KIND = 3, 4, 7


def table(sign: float = 1.0) -> list[Row]:
    return rows_of(class_csv(noise=60.0, loop=0.001, sign=sign))


def hold(rows: list[Row], *readings: int, force: str = "500") -> list[Row]:
    times = [str(5000 + 270 * k) for k in range(len(readings))]
    return rows + [
        ["C", "240", "up", force, str(reading), "21.0", time, "creep"]
        for reading, time in zip(readings, times, strict=True)
    ]


def test_a_hold_that_creeps_is_left_alone() -> None:
    assert doubtful_rows(table_of(hold(table(), 4_001_000, 3_993_000))) == ()
    assert (
        doubtful_rows(table_of(hold(table(-1.0), -3_999_000, -3_991_000, force="-500"))) == ()
    )


@pytest.mark.parametrize("readings", [(401_740, 401_745), (7_999_000, 7_998_000)])
def test_a_hold_far_from_its_force_is_named(readings: tuple[int, int]) -> None:
    rows = hold(table(), *readings)
    found = doubtful_rows(table_of(rows))
    assert [d.rows for d in found] == [(len(rows) - 1,), (len(rows),)]
    assert "hold at 500 kN reads" in found[0].text
    assert found[0].expected == pytest.approx(4_001_000, rel=1e-3)


def test_a_return_to_no_force_that_reads_full_scale_is_named() -> None:
    rows = hold(table(), 4_001_000, 4_001_001, force="0")
    assert [d.rows for d in doubtful_rows(table_of(rows))] == [(len(rows) - 1,), (len(rows),)]


@pytest.mark.parametrize(
    ("column", "value"), [(READING, "1000"), (APPLIED, "250"), (APPLIED, "0")]
)
def test_a_preload_that_did_not_go_where_it_says_is_named(column: int, value: str) -> None:
    rows = table()
    at = next(i for i, row in enumerate(rows) if row[KIND] == "preload")
    # As taken, a preload reads what its force asks for.
    assert doubtful_rows(table_of(rows)) == ()
    rows[at][column] = value
    (doubt,) = doubtful_rows(table_of(rows))
    assert doubt.rows == (at + 1,)
    assert "preload at" in doubt.text


def test_an_indication_that_did_not_stand_is_named() -> None:
    rows = [[*row, "40"] for row in table()]
    rows[0][-1] = "sd"
    assert doubtful_rows(table_of(rows)) == ()
    rows[9][-1] = "500000"
    (doubt,) = doubtful_rows(table_of(rows))
    assert (doubt.kind, doubt.rows) == (DoubtKind.READING, (10,))
    assert "12.5 % of full scale" in doubt.text
    rows[9][-1] = ""
    assert doubtful_rows(table_of(rows)) == ()
