"""From an evaluation to a certificate, or a reason why not."""

from __future__ import annotations

import json
from datetime import date

import numpy as np
import pytest

from calibration.certificates.certificate import CertificateError, full_document
from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import EDITION, add_months, issue_certificate
from calibration.evaluation.results_document import results_document
from calibration.evaluation.verify import verify_document
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import ReadingsError
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import class_csv, iso_csv, stated
from tests.calibration.made_certificates import made


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
    figure = c.details["results"]["figures"]["iso376_class"]
    assert figure["value"] is None
    assert "reference standard: not stated" in figure["reason"]
    assert len(c.details["readings"]["applied"]) > 60


def test_a_class_is_judged_on_the_day_of_issue() -> None:
    """Nobody stated the day: it is the day the certificate is made on, and stays so."""
    evaluation = evaluate(parse_readings(class_csv()), stated(issued=None))
    assert evaluation.senses[0].figure("iso376_class").value is None
    in_time = issue_certificate(evaluation, today=date(2027, 6, 1))
    late = issue_certificate(evaluation, today=date(2027, 6, 2))
    figures = [c.details["results"]["figures"]["iso376_class"] for c in (in_time, late)]
    assert [figure["value"] for figure in figures] == ["00", None]
    assert "reference standard valid" in figures[1]["reason"]
    assert verify_document(full_document(in_time), source="in time") == []


def test_months_end_where_the_month_ends() -> None:
    assert add_months(date(2026, 8, 31), 6) == date(2027, 2, 28)
    assert add_months(date(2026, 1, 15), 12) == date(2027, 1, 15)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("applied_kN,reading\n10,100\n20,200\n10,101\n20,201\n", "2 distinct forces"),
        ("applied_kN,reading\n10,100\n20,200\n30,301\n", "degree"),
        ("applied_kN,reading\n10,5\n20,9\n30,2\n40,7\n50,3\n60,8\n", "rows 3 and 4"),
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
    stated = BenchSettings(
        degree=5, accepted_rows=(11,), accepted_reason="bent on purpose", reference_U_pct=0.02
    )
    evaluation = evaluate(parse_readings(turned), stated)
    assert issue_certificate(evaluation).capacity_kN == 100.0
    back = "applied_kN,reading\n" + "".join(
        f"{f},{f + 40 * np.sin(f / 12.0):.4f}\n" for f in range(5, 101, 5)
    )
    with pytest.raises(ReadingsError, match=r"rows 6 and 7: .* turn back"):
        issue_certificate(evaluate(parse_readings(back), BenchSettings(degree=5)))


def test_no_certificate_without_the_uncertainty_of_the_reference() -> None:
    """Figures and curve still come, and say what to state; a certificate does not."""
    evaluation = evaluate(parse_readings(iso_csv(noise=40.0), source="b.csv"), BenchSettings())
    part = evaluation.senses[0]
    assert part.figure("repeatability").assessed
    assert part.working.coefficients[1] == pytest.approx(1.0 / 8000.0, rel=1e-4)
    assert np.all(np.isnan(part.budget.expanded_kN))
    assert any("reference_U_pct" in caution for caution in evaluation.cautions)
    document = results_document(evaluation)
    assert document["budget"]["expanded_kN"] == [None] * 21
    json.dumps(document, allow_nan=False)
    with pytest.raises(ReadingsError, match=r"^b\.csv: no certificate: .* state it") as caught:
        issue_certificate(evaluation)
    assert "\n" not in str(caught.value)


def test_the_edition_of_the_evaluation_stands_in_the_certificate() -> None:
    assert made().details["evaluation"] == EDITION == 2


def test_capacity_that_contradicts_the_forces_is_refused() -> None:
    with pytest.raises(CertificateError, match="check the capacity or the unit"):
        made(capacity_kN=50.0)
