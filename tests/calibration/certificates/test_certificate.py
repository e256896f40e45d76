from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import numpy as np
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
    parse_document,
)
from calibration.certificates.force import ForceCertificate
from calibration.certificates.force_curve import SenseCurve, ShuntExpectation, UncertaintyTable
from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import add_months, issue_certificate
from calibration.evaluation.verify import verify_document
from calibration.quantities import flags
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import ReadingsError
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import iso_csv, pontius_csv


def made(text: str | None = None, **stated: object) -> ForceCertificate:
    given_settings = BenchSettings.from_document({"issued": "2026-05-04", **stated})
    return issue_certificate(
        evaluate(parse_readings(text or iso_csv(noise=40.0)), given_settings)
    )


def simple() -> ForceCertificate:
    return ForceCertificate.from_coefficients(
        (0.0, 1e-4, 1e-12), compression=(0.0, 1.01e-4), capacity_kN=500.0,
        nominal_zero_counts=1000.0, u_zero_kN=0.1, u_relative=1e-3,
        issued=date(2026, 1, 1), expires=date(2026, 12, 31),
    )  # fmt: skip


def test_written_and_read_again_is_the_same() -> None:
    for certificate in (simple(), made(), made(pontius_csv())):
        again = parse_certificate(dump_certificate(certificate))
        assert again == certificate
        assert again.digest == certificate.digest


def test_it_names_the_code_that_issued_it() -> None:
    evaluation = evaluate(parse_readings(iso_csv(noise=40.0)), BenchSettings())
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


# ------------------------------------------------------------------ use


def test_counts_to_force_and_back() -> None:
    c = simple()
    force = c.to_force([1000, 1000 + 10_000, 1000 - 10_000], zero_counts=1000)
    assert force == pytest.approx([0.0, 1.0 + 1e-4, -1.01])
    counts = c.to_deflection(np.linspace(-400, 400, 41)) + 1000.0
    assert c.to_force(counts, zero_counts=1000.0) == pytest.approx(np.linspace(-400, 400, 41))


def test_counts_may_be_integers_of_any_width_and_the_zero_an_array() -> None:
    c = simple()
    wide = np.array([2**31 - 1], dtype=np.int64)
    narrow = np.array([8_388_607], dtype=np.int32)
    assert c.to_force(wide, zero_counts=-(2**31)).shape == (1,)
    assert np.isfinite(c.to_force(narrow, zero_counts=-8_388_608)).all()
    moving = c.to_force(np.full(3, 2000), zero_counts=np.array([1000.0, 1500.0, 2000.0]))
    assert moving == pytest.approx([0.1000010, 0.05, 0.0], rel=1e-4)


def test_flags_for_each_sample() -> None:
    c = simple()
    counts = np.array([8_388_607, -8_388_608, 1000, 6_000_000])
    found = c.flags(counts, c.to_force(counts, zero_counts=1000), on=date(2026, 6, 1))
    assert found.dtype == np.uint8
    assert found.tolist() == [
        flags.SATURATED | flags.OUT_OF_RANGE, flags.SATURATED | flags.OUT_OF_RANGE,
        0, flags.OUT_OF_RANGE,
    ]  # fmt: skip
    late = c.flags(counts[2:3], [0.0], on=date(2027, 1, 1))
    assert late.tolist() == [flags.EXPIRED]
    early = c.flags(counts[2:3], [0.0], on=date(2025, 12, 31))
    assert early.tolist() == [flags.EXPIRED]
    assert c.flags(counts[2:3], [np.nan], on=None).tolist() == [flags.OUT_OF_RANGE]
    assert c.flags(counts[2:3], [0.0], on=date(2026, 12, 31)).tolist() == [0]


def test_noise_about_zero_is_inside_a_tension_only_range() -> None:
    c = ForceCertificate.from_coefficients(
        (0.0, 1e-4), capacity_kN=500.0, range_kN=(0.0, 500.0)
    )
    assert c.flags([0, 0], [-1.0, -10.0], on=None).tolist() == [0, flags.OUT_OF_RANGE]


def test_uncertainty_interpolates_and_grows_beyond() -> None:
    c = simple()
    assert c.standard_uncertainty_kN(0.0) == pytest.approx(0.1)
    assert c.standard_uncertainty_kN([500.0, -500.0]) == pytest.approx(
        [np.hypot(0.1, 0.5)] * 2, rel=1e-6
    )
    assert c.standard_uncertainty_kN(1000.0) == pytest.approx(2 * np.hypot(0.1, 0.5))
    assert c.expanded_uncertainty_kN(0.0) == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"range_kN": (10.0, 500.0)}, "range_kN"),
        ({"capacity_kN": -1.0, "range_kN": (0.0, 1.0)}, "capacity_kN"),
        ({"certificate_id": " "}, "certificate_id"),
        ({"expires": date(2025, 1, 1)}, "before issued"),
        ({"compression": (0.0, -1e-4)}, "rise the same way"),
    ],
)
def test_senseless_certificates_are_refused(change: dict[str, object], words: str) -> None:
    with pytest.raises(CertificateError, match=words):
        ForceCertificate.from_coefficients(
            (0.0, 1e-4),
            **{"capacity_kN": 500.0, **change},  # type: ignore[arg-type]
        )


def test_senseless_parts_are_refused() -> None:
    for wrong in ((0.0,), (1.0, 2.0), (0.0, 0.0, 1.0), (0.0, float("nan")), (0.0,) * 7):
        with pytest.raises(CertificateError):
            SenseCurve(wrong)
    with pytest.raises(CertificateError, match="rise strictly"):
        UncertaintyTable((0.0, 0.0), (1.0, 1.0), (2.0, 2.0))
    with pytest.raises(CertificateError, match="limit_counts"):
        ShuntExpectation(1000.0, 0.0)
    with pytest.raises(ValueError, match="does not reach"):
        SenseCurve((0.0, 1.0, -0.01)).deflection(np.array([100.0]))


# ---------------------------------------------------------------- issue


def test_issue_carries_everything() -> None:
    c = made(cell="coupler cell 12", capacity_kN=600.0, reference_U_pct=0.02, valid_months=24,
             shunt_deflection=2_000_000.0, operator="bench 3", stability_pct=0.05)  # fmt: skip
    assert c.certificate_id == "coupler-cell-12-2026-05-04"
    assert (c.issued, c.expires) == (date(2026, 5, 4), date(2028, 5, 4))
    assert c.range_kN == (0.0, 500.0)
    assert c.capacity_kN == 600.0
    assert c.shunt is not None
    assert c.shunt.limit_counts == pytest.approx(5000.0)
    assert c.zero_limit_counts == pytest.approx(48_000.0, rel=1e-3)
    assert c.nominal_zero_counts == pytest.approx(1000.0, abs=60.0)
    assert c.details["results"]["figures"]["iso376_class"]["value"] == "0.5"
    assert len(c.details["readings"]["applied"]) > 60


def test_months_end_where_the_month_ends() -> None:
    assert add_months(date(2026, 8, 31), 6) == date(2027, 2, 28)
    assert add_months(date(2026, 1, 15), 12) == date(2027, 1, 15)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("applied_kN,reading\n10,100\n20,200\n10,101\n20,201\n", "2 distinct forces"),
        ("applied_kN,reading\n10,100\n20,200\n30,301\n", "degree"),
        ("applied_kN,reading\n10,5\n20,9\n30,2\n40,7\n50,3\n60,8\n", "do not follow the force"),
    ],
)
def test_no_certificate_from_readings_that_cannot_carry_it(text: str, words: str) -> None:
    evaluation = evaluate(parse_readings(text, source="thin.csv"), BenchSettings(degree=1))
    with pytest.raises(ReadingsError, match=words) as caught:
        issue_certificate(evaluation)
    assert str(caught.value).startswith("thin.csv: no certificate")


def test_a_curve_that_turns_back_is_no_certificate() -> None:
    text = "applied_kN,reading\n" + "".join(
        f"{f},{f - 0.0045 * f * f}\n" for f in range(10, 101, 10)
    )
    turned = text.replace("100,55.0", "100,50.0")
    evaluation = evaluate(parse_readings(turned), BenchSettings(degree=5))
    assert issue_certificate(evaluation).capacity_kN == 100.0
    back = "applied_kN,reading\n" + "".join(
        f"{f},{f + 40 * np.sin(f / 12.0):.4f}\n" for f in range(5, 101, 5)
    )
    with pytest.raises(ReadingsError, match=r"turns back|do not follow"):
        issue_certificate(evaluate(parse_readings(back), BenchSettings(degree=5)))


def test_capacity_that_contradicts_the_forces_is_refused() -> None:
    with pytest.raises(CertificateError, match="check the capacity or the unit"):
        made(capacity_kN=50.0)


# --------------------------------------------------------------- verify


def test_a_sound_certificate_verifies() -> None:
    for text in (iso_csv(noise=40.0), pontius_csv(), iso_csv(sign=-1.0, noise=10.0)):
        document = parse_document(dump_certificate(made(text, reference_U_pct=0.02)))
        assert verify_document(document, source="c") == []


def test_a_wrong_digest_is_told() -> None:
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
def test_a_figure_that_does_not_follow_from_the_readings_is_told(
    path: tuple[str | int, ...], value: object
) -> None:
    document = parse_document(dump_certificate(made()))
    at: object = document
    for key in path[:-1]:
        at = at[key]  # type: ignore[index]
    at[path[-1]] = value  # type: ignore[index]
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
def test_damaged_details_are_told_not_raised(key: str, value: int) -> None:
    document = parse_document(dump_certificate(made()))
    if key == "readings":
        document["details"]["readings"]["applied"] = value
    else:
        document["details"][key] = value
    assert verify_document(document, source="c") != []
