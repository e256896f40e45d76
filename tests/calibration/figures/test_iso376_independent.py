"""The product's ISO 376 against one worked out apart, on programmes drawn at random."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pytest

from calibration.evaluation.evaluation import SenseEvaluation, evaluate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.figures.drawn_programmes import drawn_facts, drawn_programme
from tests.calibration.figures.independent_iso376 import Answer, answer


def both(seed: int) -> tuple[SenseEvaluation, Answer]:
    rng = np.random.default_rng([376, seed])
    text, facts = drawn_programme(rng), drawn_facts(rng)
    if rng.random() < 0.3:
        largest = max(abs(float(line.split(",")[3])) for line in text.splitlines()[1:])
        facts["capacity_kN"] = largest * float(rng.uniform(1.0, 1.4))
    part = evaluate(parse_readings(text), BenchSettings.from_document(facts)).senses[0]
    return part, answer(text, facts, degree=facts["degree"])


def compare(part: SenseEvaluation, found: Answer) -> str | None:
    for name, values in (
        ("reproducibility", found.b), ("repeatability", found.b_prime),
        ("iso376_interpolation", found.fc), ("reversibility", found.v),
    ):  # fmt: skip
        pct: list[Any] = part.figure(name).detail.get("pct", [None] * len(found.b))
        for ours, theirs in zip(pct, values, strict=True):
            if theirs is not None:
                assert ours == pytest.approx(theirs, rel=1e-6, abs=1e-9), name
    figure = part.figure("iso376_class")
    conditions = figure.detail["conditions"]
    assert {c["name"] for c in conditions if c["state"] != "held"} == found.broken
    assert {n: c["low_kN"] for n, c in figure.detail["classes"].items()} == {
        name: pytest.approx(low) if low is not None else None
        for name, low in found.lows.items()
    }
    assert figure.value == found.value
    value = figure.value
    assert value is None or isinstance(value, str)
    return value


@pytest.mark.parametrize("seed", range(6))
def test_figures_and_class_of_a_drawn_programme(seed: int) -> None:
    compare(*both(seed))


@pytest.mark.slow
def test_figures_and_classes_of_many_drawn_programmes() -> None:
    """Two hundred and twenty; every class and every refusal comes up."""
    told = Counter(compare(*both(seed)) for seed in range(220))
    assert all(told[name] > 1 for name in ("00", "0.5", "1", "2", "none", None)), told
