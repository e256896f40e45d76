"""Certificates of our own making: one issued from readings, one from coefficients."""

from __future__ import annotations

from datetime import date

from calibration.certificates.force import ForceCertificate
from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import issue_certificate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import iso_csv

__all__ = ["made", "simple"]


def made(text: str | None = None, **stated: object) -> ForceCertificate:
    given_settings = BenchSettings.from_document(
        {"issued": "2026-05-04", "reference_U_pct": 0.02, **stated}
    )
    return issue_certificate(
        evaluate(parse_readings(text or iso_csv(noise=40.0)), given_settings)
    )


def simple() -> ForceCertificate:
    return ForceCertificate.from_coefficients(
        (0.0, 1e-4, 1e-12), compression=(0.0, 1.01e-4), capacity_kN=500.0,
        nominal_zero_counts=1000.0, u_zero_kN=0.1, u_relative=1e-3,
        issued=date(2026, 1, 1), expires=date(2026, 12, 31),
    )  # fmt: skip
