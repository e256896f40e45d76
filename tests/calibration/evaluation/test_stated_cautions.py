"""Stated facts that do not go together are told on the certificate."""

from __future__ import annotations

from typing import Any

import pytest

from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.stated_cautions import stated_cautions
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import iso_csv
from tests.calibration.made_certificates import made

SOUND = {
    "standard": {"calibrated": "2025-06-01", "valid_until": "2027-06-01"},
    "laboratory": {"received": "2026-05-01", "began": "2026-05-02", "ended": "2026-05-03"},
}


def told(**facts: Any) -> list[str]:
    document = {"issued": "2026-05-04", "capacity_kN": 500.0, **SOUND, **facts}
    return stated_cautions(BenchSettings.from_document(document), 500.0)


def test_what_goes_together_is_not_told() -> None:
    assert told() == []
    assert stated_cautions(BenchSettings(), 500.0) == []


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        (
            {"standard": {"calibrated": "2020-06-01", "valid_until": "2021-01-01"}},
            "valid until 2021-01-01, the calibration was on 2026-05-03",
        ),
        ({"standard": {"valid_until": "2026-05-02"}}, "valid until 2026-05-02"),
        (
            {"standard": {"calibrated": "2030-06-01", "valid_until": "2031-01-01"}},
            "calibrated on 2030-06-01, after the calibration on 2026-05-02",
        ),
        ({"laboratory": {"received": "2027-01-01"}}, "laboratory.received is 2027-01-01"),
        (
            {"laboratory": {"ended": "2026-06-05"}},
            "laboratory.ended is 2026-06-05, after the day",
        ),
        ({"laboratory": {"began": "2026-06-05"}}, "laboratory.began is 2026-06-05"),
        (
            {"laboratory": {"received": "2026-05-04", "began": "2026-05-01"}},
            "laboratory.began is 2026-05-01, before the cell was received",
        ),
        ({"capacity_kN": 5000.0}, "is 10 times the largest force applied, 500 kN"),
    ],
)
def test_what_does_not_go_together_is_told(facts: dict[str, Any], words: str) -> None:
    (caution,) = told(**facts)
    assert words in caution
    assert "\n" not in caution


def test_the_last_day_of_validity_is_valid() -> None:
    assert told(standard={"calibrated": "2026-05-02", "valid_until": "2026-05-03"}) == []


def test_forces_in_thousands_of_pounds_under_kilonewtons_are_told() -> None:
    """500 kN are 112.4 klbf (0.45359237 kg times 9.80665 m/s² to the pound-force)."""
    text = iso_csv(noise=40.0, capacity=112.4, gain=8000.0 * 4.448)
    settings = BenchSettings(capacity_kN=500.0)
    cautions = evaluate(parse_readings(text), settings).cautions
    assert any("the unit of the force column (1 klbf is 4.45 kN)" in c for c in cautions)


def test_they_stand_on_the_certificate() -> None:
    certificate = made(standard={"valid_until": "2021-01-01"})
    cautions = certificate.details["results"]["cautions"]
    assert any("valid until 2021-01-01" in caution for caution in cautions)
