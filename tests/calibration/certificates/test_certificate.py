from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.certificates import certificate as module
from calibration.certificates.certificate import (
    CertificateError,
    document_digest,
    dump_certificate,
    full_document,
    load_certificate,
    parse_certificate,
)
from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import issue_certificate
from calibration.evaluation.verify import verify_document
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import iso_csv, pontius_csv
from tests.calibration.made_certificates import made, simple


def test_written_and_read_again_is_the_same() -> None:
    for certificate in (simple(), made(), made(pontius_csv())):
        again = parse_certificate(dump_certificate(certificate))
        assert again == certificate
        assert again.digest == certificate.digest


def test_it_names_the_code_that_issued_it() -> None:
    evaluation = evaluate(
        parse_readings(iso_csv(noise=40.0)), BenchSettings(reference_U_pct=0.02)
    )
    certificate = issue_certificate(evaluation, software="testcar 9.8+gabc")
    document = full_document(certificate)
    assert document["software"] == "testcar 9.8+gabc"
    assert parse_certificate(dump_certificate(certificate)) == certificate
    # Issued by another version than this one: no disagreement of figures.
    assert verify_document(document, source="t") == []


def test_issued_before_the_code_was_named_keeps_its_digest() -> None:
    text = dump_certificate(simple())
    assert "software" not in text
    assert parse_certificate(text).digest == json.loads(text)["digest"]


def test_any_change_breaks_the_digest() -> None:
    text = dump_certificate(simple())
    for old, new in (
        ("500.0", "501.0"),
        ("simulated", "Simulated"),
        ("2026-12-31", "2036-12-31"),
    ):
        with pytest.raises(CertificateError, match="damaged or edited"):
            parse_certificate(text.replace(old, new, 1))


def test_layout_of_the_file_does_not_matter() -> None:
    document = json.loads(dump_certificate(simple()))
    turned = dict(reversed(list(document.items())))
    assert parse_certificate(json.dumps(turned, separators=(",", ":"))) == simple()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "does not read"),
        ("[]", "format is not"),
        ("{}", "format is not"),
        ('{"format": "testcar-certificate", "version": 2}', "newer"),
        ('{"format": "testcar-certificate", "version": true}', "whole number"),
        ('{"format": "testcar-certificate", "version": 1, "x": NaN}', "NaN"),
        ("[" * 100_000, "does not read"),
    ],
)
def test_what_is_no_certificate_is_refused(text: str, words: str) -> None:
    with pytest.raises(CertificateError, match=words) as caught:
        parse_certificate(text, source="x.json")
    assert str(caught.value).startswith("x.json: ")
    assert "\n" not in str(caught.value)


def test_unknown_kind_is_refused() -> None:
    document = {"format": "testcar-certificate", "version": 1, "kind": "beauty"}
    document["digest"] = document_digest(document)
    with pytest.raises(CertificateError, match="unknown kind 'beauty'; known: force, wheel"):
        parse_certificate(json.dumps(document))


@given(
    st.sampled_from(
        [
            "certificate_id",
            "issued",
            "expires",
            "capacity_kN",
            "range_kN",
            "curve",
            "uncertainty",
            "rails",
            "nominal_zero_counts",
            "shunt",
            "details",
            "zero_limit_counts",
        ]
    ),
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(allow_nan=False, allow_infinity=False),
        st.text(max_size=5),
        st.lists(st.integers(), max_size=3),
        st.dictionaries(st.text(max_size=4), st.integers()),
    ),
)
@settings(max_examples=200, deadline=None)
def test_wrong_values_are_refused_or_read(key: str, value: object) -> None:
    document = json.loads(dump_certificate(simple()))
    document[key] = value
    try:
        document["digest"] = document_digest(document)
        parse_certificate(json.dumps(document))
    except CertificateError:
        pass


@given(st.integers(0, 3000), st.binary(max_size=4))
@settings(max_examples=100, deadline=None)
def test_damaged_files_are_refused(
    tmp_path_factory: pytest.TempPathFactory, at: int, junk: bytes
) -> None:
    data = dump_certificate(simple()).encode()
    at %= len(data)
    path = tmp_path_factory.getbasetemp() / "damaged.json"
    path.write_bytes(data[:at] + junk)
    with pytest.raises(CertificateError):
        load_certificate(path)


def test_too_large_a_file_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MAX_BYTES", 10)
    path = tmp_path / "c.json"
    path.write_text(dump_certificate(simple()))
    with pytest.raises(CertificateError, match="larger than"):
        load_certificate(path)
