"""What is stated of the reference standard is held against itself."""

from __future__ import annotations

import pytest

from calibration.certificates.certificate import CertificateError, full_document
from calibration.certificates.force import ForceCertificate
from calibration.readings.bench_settings import BenchSettings

HELD = full_document(ForceCertificate.from_coefficients((0.0, 1e-4), capacity_kN=600.0))


def test_its_own_certificate_in_full_is_taken() -> None:
    given = {"standard": {"document": HELD, "digest": HELD["digest"]}}
    assert BenchSettings.from_document(given).standard.document == HELD
    assert BenchSettings.from_document({"standard": {"document": HELD}}).standard.digest == ""


@pytest.mark.parametrize(
    ("standard", "named"),
    [
        ({"calibrated": "2026-02-01", "valid_until": "2026-01-31"}, "standard.valid_until"),
        ({"drift_pct": -0.1}, "standard.drift_pct"),
        ({"document": {**HELD, "capacity_kN": 6000.0}}, "standard.document"),
        ({"document": {"kind": "wheel"}}, "standard.document"),
        ({"document": HELD, "digest": "sha256:0"}, "standard.digest"),
    ],
)
def test_what_contradicts_itself_is_named(standard: dict[str, object], named: str) -> None:
    with pytest.raises(CertificateError, match=named):
        BenchSettings.from_document({"standard": standard})
