"""The paper of a force certificate: what ISO/IEC 17025 clause 7.8 asks (from memory) is on it."""

from __future__ import annotations

import pytest

from calibration.certificates.certificate import CertificateError, load_certificate
from calibration.certificates.force import ForceCertificate
from calibration.evaluation.issue import CAUTIONS
from recorder.report.certificate.certificate_pdf import certificate_pdf
from tests.calibration.bench_tables import DATA, class_csv, iso_csv, pontius_csv
from tests.calibration.made_certificates import made
from tests.recorder.report.certificate.made_paper import (
    FACTS,
    LABORATORY,
    STANDARD,
    pages_of,
    text_of,
)


def both_senses() -> str:
    pull, push = (iso_csv(noise=40.0, loop=1e-3, sign=s, preloads=3) for s in (1.0, -1.0))
    return pull + "\n".join("C" + line for line in push.splitlines()[1:]) + "\n"


pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def full() -> tuple[ForceCertificate, list[str]]:
    """A certificate with everything stated, and the words of its pages."""
    certificate = made(both_senses(), **{**FACTS, "certificate_id": "FL-2026-0118"})
    return certificate, pages_of(certificate_pdf(certificate))


Full = tuple[ForceCertificate, list[str]]


def test_every_stated_fact_is_on_the_paper(full: Full) -> None:
    certificate, pages = full
    text = " ".join(pages)
    stated = [str(v) for v in (*LABORATORY.values(), *STANDARD.values()) if isinstance(v, str)]
    for words in (
        *stated, "coupler cell 12", "build-up system, 1 MN", "0.02 % (k = 2)", "C. Third",
        "hall 2, press 3", "20.5 °C in the room", "21 °C with the readings", "41 % to 47 %",
        "2026-05-02 to 2026-05-03", "2026-05-04", "600 kN", certificate.certificate_id,
        certificate.digest,
    ):  # fmt: skip
        assert " ".join(words.split()) in text, words
    assert "Not stated" not in text


def test_results_come_with_uncertainty_curve_classes_and_rule(full: Full) -> None:
    certificate, pages = full
    text = " ".join(pages)
    for words in (
        "Results in tension", "Results in compression", "ISO 376 (from memory): class",
        "incremental and decremental", "probability of 95 %", "U, kN",
        "Interpolation equation", "simple acceptance", "reproduced only in full",
        "from memory", "uncertainty budget in tension", "Recommendation, apart",
        "Calibrated by", "Checked by", "Authorised by", "X1 0° rising", "CX5 240° falling",
    ):  # fmt: skip
        assert words in text, words
    for caution in CAUTIONS:
        assert caution.split(".")[0] in text
    for part in certificate.details["results"]["by_sense"].values():
        for value in part["figures"]["iso376_equation"]["detail"]["coefficients"]:
            assert f"{value:.11E}".replace("-", "−") in text
    for curve in (certificate.tension, certificate.compression):
        assert curve is not None
        for value in curve.coefficients[1:]:
            assert f"{value:.9E}".replace("-", "−") in text


def test_every_page_has_number_and_count(full: Full) -> None:
    certificate, pages = full
    assert len(pages) > 4
    for i, page in enumerate(pages, 1):
        assert "FL-2026-0118" in page
        assert f"page {i} of {len(pages)}" in page
        assert certificate.digest in page
        assert ("end of the certificate" in page) == (i == len(pages))


@pytest.mark.slow
@pytest.mark.parametrize("levels", range(8, 21, 3))
def test_no_page_holds_nothing_but_its_head_and_foot(levels: int) -> None:
    text = iso_csv(noise=4.0, levels=levels)
    *_, last = pages_of(certificate_pdf(made(text)))
    assert "step" in last, last


def test_a_class_of_another_edition_says_so_beside_it() -> None:
    certificate = load_certificate(DATA / "edition_1.cert.json")
    head, _, rest = text_of(certificate_pdf(certificate)).partition("class 0.5")
    assert "older edition (1)" in rest[:300]
    assert "older edition" not in head
    assert "edition 2 asks" not in text_of(certificate_pdf(made(class_csv(noise=4.0))))


def test_nought_has_no_sign_and_a_minus_is_one() -> None:
    text = text_of(certificate_pdf(made(iso_csv(noise=4.0, sign=-1.0))))
    _, _, readings = text.partition("readings as taken")
    assert "−500" in readings
    assert " -" not in readings
    assert "−0 " not in readings


def test_what_is_missing_is_said_once_and_leaves_no_empty_rows() -> None:
    text = text_of(certificate_pdf(made(pontius_csv())))
    head, _, tail = text.partition("Not stated")
    for words in ("Customer Line", "Serial number", "Indicator", "Humidity", "not stated."):
        assert words not in head
    for words in (
        "Of the laboratory: name, address", "serial number", "humidity", "who authorises",
        "Of the reference standard: name", "temperatures of service",
    ):  # fmt: skip
        assert tail.count(words) >= 1, words
    assert "does not show that the results are traceable" in head


@pytest.mark.parametrize("text", [iso_csv(sign=-1.0), pontius_csv()])
def test_one_sense_and_bare_readings_are_laid_out_too(text: str) -> None:
    certificate = made(text)
    (sense,) = certificate.details["results"]["by_sense"]
    assert f"Results in {sense}" in text_of(certificate_pdf(certificate))


HOSTILE = "#set page(fill: red) *b* $x^2$ `r` <l> @ref \\ [ ] {1+1} // c /* */ A--1 #eval('1')"


def test_markup_in_names_is_printed_not_obeyed() -> None:
    plain = pages_of(certificate_pdf(made(**FACTS)))
    lab = {**LABORATORY, "name": "= Head", "customer": '"; #image("/etc/passwd")'}
    certificate = made(
        **{**FACTS, "cell": HOSTILE, "laboratory": lab, "certificate_id": "#1 [*"}
    )
    pages = pages_of(certificate_pdf(certificate))
    assert len(pages) == len(plain)
    for words in (HOSTILE, "= Head", '"; #image("/etc/passwd")'):
        assert words in " ".join(pages)
    assert all("#1 [*" in page for page in pages)


def test_characters_that_would_turn_the_text_round_are_replaced() -> None:
    lab = {**LABORATORY, "cell_serial": "12\u202e34\x07"}
    text = text_of(certificate_pdf(made(**{**FACTS, "laboratory": lab})))
    assert "12\ufffd34\ufffd" in text
    assert "\u202e" not in text


def test_a_certificate_without_readings_is_refused() -> None:
    plain = ForceCertificate.from_coefficients((0.0, 1e-4), capacity_kN=500.0)
    with pytest.raises(CertificateError, match="holds no readings"):
        certificate_pdf(plain)


def test_conditions_of_a_class_are_shown_with_their_state() -> None:
    certificate = made(both_senses(), **FACTS)
    figure = certificate.details["results"]["by_sense"]["tension"]["figures"]["iso376_class"]
    text = text_of(certificate_pdf(certificate))
    head = text.partition("Results in compression")[0]
    assert "Conditions of a class of ISO 376, from memory" in head
    for condition in figure["detail"]["conditions"]:
        assert " ".join(condition["name"].split()) in head
        assert condition["state"] in head
    if figure["value"] is None:
        assert "by the table of conditions" in text
