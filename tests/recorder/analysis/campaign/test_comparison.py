"""Comparing pairs like with like: admitted stretches, and dry rail with dry."""

from __future__ import annotations

import pytest

from recorder.analysis.campaign.comparison import compare_bands
from recorder.analysis.stretches.admission_record import Admission, Criterion, CriterionKind
from recorder.analysis.stretches.stretch import Stretch
from recorder.analysis.stretches.stretch_results import StretchResult
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured


def result(run: str, pull_kN: float, rail: str, *, admitted: bool = True) -> StretchResult:
    extent = Extent(run, f"{pull_kN}")
    pull = Measured(pull_kN, "kN", {UncertaintyCause(CauseKind.RANDOM, extent=extent): 0.5})
    speed = Measured(12.0, "m/s")
    criteria = (
        Criterion(kind=CriterionKind.RAIL, value=rail, limit="any", passed=True),
        Criterion(kind=CriterionKind.THROTTLE, value="", limit="full", passed=admitted),
    )
    return StretchResult(
        extent=extent,
        stretch=Stretch(start=0, stop=60, t_start_s=0.0, t_end_s=60.0),
        speed=speed,
        pull=pull,
        power=pull.times(speed, "kW"),
        margin=None,
        admission=Admission(criteria=criteria),
    )


def test_part_throttle_is_not_compared_with_full() -> None:
    notes: list[str] = []
    part = [result("b", 60.0, "dry", admitted=False), result("b", 99.0, "dry")]
    (row,) = compare_bands([("a", [result("a", 100.0, "dry")]), ("b", part)], 3.0, notes)
    assert row.differences[0].pull.value == pytest.approx(-1.0)
    assert notes == []


def test_wet_is_compared_with_wet_alone_and_the_rest_is_named() -> None:
    notes: list[str] = []
    first = [result("a", 100.0, "dry"), result("a", 90.0, "wet")]
    rows = compare_bands([("a", first), ("b", [result("b", 91.0, "wet")])], 3.0, notes)
    assert [r.rail for r in rows] == ["wet"]
    assert rows[0].differences[0].pull.value == pytest.approx(1.0)
    assert notes == ["a: test sections on rail dry are not compared: b has none"]


def test_a_run_with_nothing_admitted_is_named() -> None:
    notes: list[str] = []
    refused = [result("b", 60.0, "dry", admitted=False)]
    assert compare_bands([("a", [result("a", 100.0, "dry")]), ("b", refused)], 3.0, notes) == ()
    assert notes == ["b: no test section is admitted, so nothing of it is compared"]


def test_one_run_alone_is_refused() -> None:
    with pytest.raises(ValueError, match="at least two runs"):
        compare_bands([("a", [])], 3.0)
