"""A certificate worked out again from its own readings."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.certificates.certificate import (
    CertificateError,
    document_digest,
    dump_certificate,
    parse_document,
)
from calibration.evaluation.verify import verify_document
from tests.calibration.bench_tables import iso_csv, pontius_csv
from tests.calibration.made_certificates import made, simple


def test_a_sound_certificate_verifies() -> None:
    for text in (iso_csv(noise=40.0), pontius_csv(), iso_csv(sign=-1.0, noise=10.0)):
        document = parse_document(dump_certificate(made(text, reference_U_pct=0.02)))
        assert verify_document(document, source="c") == []


def test_a_wrong_digest_is_found() -> None:
    document = parse_document(dump_certificate(made()))
    document["digest"] = "sha256:0"
    found = verify_document(document, source="c")
    assert len(found) == 1
    assert found[0].startswith("digest: ")


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("curve", "tension", 1), 1.3e-4),
        (("nominal_zero_counts",), 999.0),
        (("uncertainty", "standard_kN", 5), 0.0001),
        (("details", "results", "figures", "repeatability", "value"), 0.0),
        (("details", "results", "figures", "iso376_class", "value"), "00 plus"),
        (("details", "readings", "reading", 3), 123456.0),
        (("expires",), "2039-01-01"),
        (("details", "cautions"), []),
    ],
)
def test_a_figure_that_does_not_follow_from_the_readings_is_found(
    path: tuple[str | int, ...], value: object
) -> None:
    document = parse_document(dump_certificate(made()))
    at: Any = document
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = value
    document["digest"] = document_digest(document)
    assert verify_document(document, source="c") != []


def test_certificates_without_readings_or_of_another_kind_cannot_be_verified() -> None:
    document = parse_document(dump_certificate(simple()))
    with pytest.raises(CertificateError, match="holds no readings"):
        verify_document(document, source="c")
    with pytest.raises(CertificateError, match="not of a force cell"):
        verify_document({**document, "kind": "wheel"}, source="c")


@given(st.sampled_from(["readings", "settings", "results", "cautions"]), st.integers())
@settings(max_examples=6, deadline=None)
def test_damaged_details_are_found_not_raised(key: str, value: int) -> None:
    document = parse_document(dump_certificate(made()))
    if key == "readings":
        document["details"]["readings"]["applied"] = value
    else:
        document["details"][key] = value
    assert verify_document(document, source="c") != []
