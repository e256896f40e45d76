from __future__ import annotations

import io
import xml.etree.ElementTree as ET

import pypdf
import pytest

from calibration.certificates.certificate import CertificateError
from calibration.certificates.force import ForceCertificate
from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import CAUTIONS, issue_certificate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from recorder.report.certificate.certificate_charts import (
    fit_chart,
    residual_chart,
    uncertainty_chart,
)
from recorder.report.certificate.certificate_pdf import certificate_pdf
from tests.calibration.bench_tables import iso_csv, pontius_csv


def text_of(certificate: ForceCertificate) -> str:
    reader = pypdf.PdfReader(io.BytesIO(certificate_pdf(certificate)))
    return " ".join(" ".join(page.extract_text().split()) for page in reader.pages)


def test_everything_a_person_signs_is_on_the_page() -> None:
    settings = BenchSettings.from_document(
        {"cell": "coupler [12] #1 *bold* $x$", "issued": "2026-05-04", "reference_U_pct": 0.02,
         "operator": "bench_3 <at> works", "capacity_kN": 600.0}
    )  # fmt: skip
    evaluation = evaluate(parse_readings(iso_csv(noise=40.0)), settings)
    certificate = issue_certificate(evaluation, software="testcar 9.8+gabc")
    text = text_of(certificate)
    for words in (
        "coupler [12] #1 *bold* $x$", "bench_3 <at> works", "2026-05-04", "2027-05-04",
        "600 kN", "0 kN to 500 kN", "Uncertainty budget", "ISO 376 class",
        "E74 class a range", "Calibrated by", "Checked by", "expanded uncertainty",
        certificate.digest, "reference standard", "not assessed", "testcar 9.8+gabc",
    ):  # fmt: skip
        assert words in text, words
    for caution in CAUTIONS:
        assert caution.split(".")[0] in text
    for row in ("X1", "X5", "down"):
        assert row in text


def test_compression_and_bare_readings_are_laid_out_too() -> None:
    for made in (pontius_csv(), iso_csv(sign=-1.0)):
        evaluation = evaluate(parse_readings(made), BenchSettings())
        assert evaluation.senses[0].name.capitalize() in text_of(issue_certificate(evaluation))


def test_charts_are_sound_svg_in_black_and_white() -> None:
    part = evaluate(parse_readings(iso_csv(noise=40.0)), BenchSettings()).senses[0]
    for chart in (fit_chart, residual_chart, uncertainty_chart):
        data = chart(part)
        root = ET.fromstring(data)  # our own output
        assert root.tag.endswith("svg")
        colours = {
            word.strip().lower()
            for element in root.iter()
            for item in element.get("style", "").split(";")
            if item.strip().startswith(("stroke:", "fill:"))
            for word in [item.split(":")[1]]
        }
        grey = [c for c in colours if c.startswith("#") and len({c[1:3], c[3:5], c[5:7]}) == 1]
        assert {c for c in colours if c.startswith("#")} == set(grey)
        assert chart(part) == data


def test_a_certificate_without_readings_is_refused() -> None:
    plain = ForceCertificate.from_coefficients((0.0, 1e-4), capacity_kN=500.0)
    with pytest.raises(CertificateError, match="holds no readings"):
        certificate_pdf(plain)
