"""A position read off by eye a few degrees off is the same position, in every figure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.evaluation.evaluation import evaluate
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import class_csv, stated

MADE = parse_readings(class_csv(noise=40.0, rotation=(0.0, 3e-4, -2e-4), loop=4e-4))


@pytest.mark.parametrize("element", ["strain-gauged cell", "capsule"])
def test_degrees_off_change_neither_curve_nor_uncertainty_nor_class(element: str) -> None:
    off = np.random.default_rng(5).uniform(0.0, 4.0, len(MADE)).round(1)
    asked = stated(element=element)
    even, uneven = (
        evaluate(readings, asked)
        for readings in (MADE, replace(MADE, position_deg=MADE.position_deg + off))
    )
    assert even.doubts == uneven.doubts == ()
    assert even.cautions == uneven.cautions
    (one,), (other,) = even.senses, uneven.senses
    assert other.working.coefficients == pytest.approx(one.working.coefficients, rel=1e-9)
    assert other.budget.expanded_kN == pytest.approx(one.budget.expanded_kN, rel=1e-9)
    for mine, theirs in zip(one.figures, other.figures, strict=True):
        assert theirs.name == mine.name
        if isinstance(mine.value, float):
            assert theirs.value == pytest.approx(mine.value, rel=1e-9)
        else:
            assert theirs.value == mine.value
