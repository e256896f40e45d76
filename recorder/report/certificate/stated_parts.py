"""What a certificate states beside its results: item, customer, method, standard, who signs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeAlias

from calibration.quantities.written import MINUS
from recorder.report.certificate.missing_parts import not_stated_part
from recorder.report.certificate.paper import (
    Facts,
    Paper,
    Part,
    Points,
    Section,
    Signatures,
    Words,
)

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from calibration.certificates.certificate import Certificate
    from calibration.certificates.clock import ClockCertificate
    from calibration.certificates.wheel import WheelCertificate
    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.laboratory import Laboratory

__all__ = ["closing", "laid_out", "opening", "plain_paper", "span_words", "traceability"]

Rows = list[tuple[str, str]]
PlainCertificate: TypeAlias = "ClockCertificate | WheelCertificate"

ONLY_IN_FULL: Final = (
    "This certificate may be reproduced only in full, unless the laboratory agrees in writing."
    " Its results are those of the item named above alone, as it was when it was calibrated."
)
FORCE_STANDARDS: Final = ("ISO 376", "ASTM E74")
_OF_CERTIFICATES: Final = "ISO/IEC 17025:2017, clause 7.8,"


def opening(
    s: BenchSettings,
    *,
    item: Rows,
    serial: str,
    issued: date,
    result: Rows,
    temperature: str,
    made: Rows,
) -> list[Part]:
    """Customer, item, and how it was calibrated.

    ``item`` comes before what the laboratory states of it, ``result`` says what was calibrated,
    ``made`` how the file came about.
    """
    lab = s.laboratory
    return [
        Section("Customer and item"),
        Facts([
            ("Customer", _lines(lab.customer, lab.customer_address)),
            *item,
            ("Maker and type", _lines(lab.cell_maker, lab.cell_type, between=", ")),
            ("Serial number", serial),
            ("Indicator", lab.indicator),
            ("Cable", lab.cable),
            ("Condition as received", lab.condition),
            ("Adjustments", lab.adjustments),
        ]),
        Section("Calibration"),
        Facts([
            ("Received", _day(lab.received)),
            ("Calibrated", _days(lab.began, lab.ended)),
            ("Issued", issued.isoformat()),
            ("Place", s.place),
            *result,
            ("Method", lab.method),
            ("Deviations from it", lab.deviations),
            ("Temperature", temperature),
            ("Relative humidity", span_words(lab.humidity_pct, "%")),
            ("Calibrated by", s.operator),
            *made,
            ("Remarks", s.remarks),
        ]),
    ]  # fmt: skip


def traceability(s: BenchSettings) -> list[Part]:
    """The reference standard, with the certificate that stands behind it."""
    standard, U = s.standard, s.reference_U_pct
    rows = (
        ("Reference standard", s.reference),
        ("Serial number", standard.serial),
        ("Its certificate", standard.certificate),
        ("Issued by", standard.issued_by),
        ("Calibrated", _day(standard.calibrated)),
        ("Valid until", _day(standard.valid_until)),
        ("Its expanded uncertainty", "" if U is None else f"{U:g} % (k = {s.reference_k:g})"),
        ("Its drift", "" if standard.drift_pct is None else
         f"at most {standard.drift_pct:g} % between its calibrations"),
        ("Digest of its certificate", standard.digest),
    )  # fmt: skip
    if standard.traceability:
        words = f"The results are traceable to the SI: {standard.traceability}."
    elif standard.certificate:
        words = (
            "The results are traceable to the SI by the certificate of the reference standard,"
            " below."
        )
    else:
        words = (
            "No certificate of the reference standard is stated: this paper does not show that"
            " the results are traceable to the SI."
        )
    return [Section("Traceability"), Words(words), Facts(rows)]


def closing(
    s: BenchSettings,
    *,
    expires: date | None,
    cautions: Sequence[str],
    rule: str = "",
    standards: Sequence[str] = (),
) -> list[Part]:
    """Decision rule (empty: nothing was decided), opinions, recommendation, who signs.

    ``standards`` are those that the results follow.
    """
    lab = s.laboratory
    parts: list[Part] = []
    if rule:
        parts += [Section("Decision rule"), Words(rule)]
        if lab.decision_rule:
            parts.append(Words(f"The laboratory states: {lab.decision_rule}"))
    if lab.opinions:
        parts += [Section("Opinions and interpretations"), Words(lab.opinions)]
    if lab.next_calibration or expires:
        parts.append(Section("Recommendation, apart from the results"))
    if lab.next_calibration:
        parts.append(Words(f"Next calibration: {lab.next_calibration}"))
    if expires:
        told = f"The last day of use of the file that goes with this paper is {expires}."
        parts.append(Words(told))
    return [
        *parts,
        Section("Cautions"),
        Points(cautions),
        Section("Authorisation"),
        Words(_from_memory(standards), "small"),
        Words(ONLY_IN_FULL),
        _signatures(s.operator, lab),
    ]


def _from_memory(standards: Sequence[str]) -> str:
    told = f"{_OF_CERTIFICATES} is followed as it is"
    if standards:
        told = f"{', '.join(standards)} and {_OF_CERTIFICATES} are followed as they are"
    return (
        f"{told} stated from memory. Before this certificate is signed it is to be held"
        " against the editions in force at the laboratory."
    )


def _signatures(operator: str, lab: Laboratory) -> Signatures:
    return Signatures((
        ("Calibrated by", operator, ""),
        ("Checked by", lab.checked_by, ""),
        ("Authorised by, with date", lab.authorised_by, lab.authorised_role),
    ))  # fmt: skip


def plain_paper(
    certificate: PlainCertificate,
    s: BenchSettings,
    *,
    subtitle: str,
    item: str,
    serial: str,
    temperature: str,
    result: Rows,
    results: Sequence[Part],
    must_know: str,
    cautions: Sequence[str],
) -> Paper:
    """The paper of what has neither senses nor classes, a wheel or a clock.

    ``result`` says what was calibrated and how, ``results`` are the parts that tell what came of
    it, ``must_know`` what its uncertainty is of.
    """
    c = certificate
    return laid_out(c, s, subtitle=subtitle, parts=[
        *opening(
            s, item=[("Item", item)], serial=serial, issued=c.issued, temperature=temperature,
            made=[("Worked out by", c.software)], result=result,
        ),
        *traceability(s),
        *results,
        Section("What a reader must know"),
        Words(must_know),
        *not_stated_part(s, item={"serial number": serial}, temperature=temperature, asked={},
                         words=f"{c.to_document()}"),
        *closing(s, expires=c.expires, cautions=cautions),
    ])  # fmt: skip


def laid_out(
    certificate: Certificate, s: BenchSettings, *, subtitle: str, parts: Sequence[Part]
) -> Paper:
    """The parts under the certificate's number and the laboratory's name."""
    lab = s.laboratory
    accredited = f"Accreditation: {lab.accreditation}" if lab.accreditation else ""
    return Paper(
        title="Certificate of calibration",
        subtitle=subtitle,
        number=certificate.certificate_id,
        digest=certificate.digest,
        issuer=lab.name,
        issuer_lines=(*lab.address.split("\n"), accredited),
        parts=parts,
    )


def span_words(pair: tuple[float, float] | None, unit: str) -> str:
    """``45 % to 55 %``; one value where both are the same."""
    if pair is None:
        return ""
    low, high = (f"{value:g} {unit}".replace("-", MINUS) for value in pair)
    return low if low == high else f"{low} to {high}"


def _days(first: date | None, last: date | None) -> str:
    """``2026-05-03 to 2026-05-04``; what is not known of it is left out."""
    days = list(dict.fromkeys(day.isoformat() for day in (first, last) if day is not None))
    return " to ".join(days)


def _day(day: date | None) -> str:
    return "" if day is None else day.isoformat()


def _lines(*words: str, between: str = "\n") -> str:
    return between.join(word for word in words if word)
