"""A table copied from one series, or taken where nobody works, is told."""

from __future__ import annotations

import pytest

from calibration.doubts.looks_odd import looks_odd
from calibration.evaluation.evaluation import evaluate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import iso_csv

NOISY = iso_csv(noise=60.0)


def told(text: str, room_C: float | None = None) -> str:
    return "; ".join(looks_odd(parse_readings(text), room_C))


def test_readings_that_repeat_to_the_count() -> None:
    assert "were they copied?" in told(iso_csv())
    assert told(NOISY) == ""
    # A coarse indication repeats by itself.
    assert told(iso_csv(gain=20.0)) == ""
    evaluation = evaluate(parse_readings(iso_csv()), BenchSettings())
    assert any("were they copied?" in caution for caution in evaluation.cautions)


@pytest.mark.parametrize(("celsius", "odd"), [("85", True), ("-79.9", True), ("21", False)])
def test_a_bench_where_nobody_works(celsius: str, odd: bool) -> None:
    text = NOISY.replace(",21.0,", f",{celsius},")
    assert ("hardly a bench" in told(text)) is odd


def test_readings_that_contradict_the_room_stated() -> None:
    assert told(NOISY, 17.0) == ""
    assert "room_temperature_C is stated as 15" in told(NOISY, 15.0)
    unread = "\n".join(",".join(row.split(",")[:5]) for row in NOISY.splitlines()) + "\n"
    assert told(unread, 15.0) == ""
