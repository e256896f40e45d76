"""What a force certificate states beside its results: item, customer, method, standard."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from calibration.evaluation.issue import CAUTIONS
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import Readings
from recorder.report.certificate.paper import (
    Facts,
    Part,
    Points,
    Section,
    Signatures,
    Words,
)

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from calibration.certificates.force import ForceCertificate
    from calibration.readings.laboratory import Laboratory

__all__ = ["Held", "closing", "opening", "span_of_days", "span_words", "traceability"]

DECISION: Final = (
    "Classes are decided by simple acceptance: a limit holds when the value found does not"
    " exceed it. The uncertainty of the value is not added to it, so that a value at its limit"
    " may in truth lie beyond it with a probability of up to one half."
)
"""The rule that the evaluation applies."""
ONLY_IN_FULL: Final = (
    "This certificate may be reproduced only in full, unless the laboratory agrees in writing."
    " Its results are those of the item named above alone, as it was when it was calibrated."
)
FROM_MEMORY: Final = (
    "Standards are cited as they are commonly stated, from memory: their texts were not at hand"
    " when the program that worked these results out was written. The contents follow"
    " ISO/IEC 17025:2017, clause 7.8, in the same sense."
)


@dataclass(frozen=True, slots=True)
class Held:
    """A force certificate opened: what it states, with its settings and readings read."""

    certificate: ForceCertificate
    settings: BenchSettings
    readings: Readings
    results: Mapping[str, Any]
    """As ``calibration.evaluation.results_document`` makes them."""

    @property
    def laboratory(self) -> Laboratory:
        return self.settings.laboratory

    @property
    def edition(self) -> int:
        """Of the evaluation that made the results."""
        return int(self.certificate.details.get("evaluation", 1))


def opening(held: Held) -> list[Part]:
    """Customer, item, and how it was calibrated."""
    c, s, lab = held.certificate, held.settings, held.laboratory
    low, high = c.range_kN
    return [
        Section("Customer and item"),
        Facts((
            ("Customer", _lines(lab.customer, lab.customer_address)),
            ("Item", f"{c.cell} ({s.element})"),
            ("Maker and type", _lines(lab.cell_maker, lab.cell_type, between=", ")),
            ("Serial number", lab.cell_serial),
            ("Capacity", f"{c.capacity_kN:g} kN"),
            ("Indicator", lab.indicator),
            ("Cable", lab.cable),
            ("Condition as received", lab.condition),
            ("Adjustments", lab.adjustments),
        )),
        Section("Calibration"),
        Facts((
            ("Received", _day(lab.received)),
            ("Calibrated", span_of_days(lab.began, lab.ended)),
            ("Issued", c.issued.isoformat()),
            ("Place", s.place),
            ("Range", f"{low:g} kN to {high:g} kN, tension positive"),
            ("Method", lab.method),
            ("Deviations from it", lab.deviations),
            ("Temperature", _temperature(held)),
            ("Relative humidity", span_words(lab.humidity_pct, "%")),
            ("Calibrated by", s.operator),
            ("Takes the place of", c.supersedes),
            ("Worked out by", c.software),
            ("Remarks", s.remarks),
        )),
    ]  # fmt: skip


def traceability(held: Held) -> list[Part]:
    """The reference standard, with the certificate that stands behind it."""
    s, standard = held.settings, held.settings.standard
    U = s.reference_U_pct
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
        words = f"The results are traceable to {standard.traceability}."
    elif standard.certificate:
        words = (
            "The applied forces are those of the reference standard below, by its certificate."
        )
    else:
        words = (
            "No certificate of the reference standard is stated: this paper does not show that"
            " the results are traceable to the SI."
        )
    return [Section("Traceability"), Words(words), Facts(rows)]


def closing(held: Held) -> list[Part]:
    """Decision rule, opinions, recommendation, cautions, and who signs."""
    c, lab, s = held.certificate, held.laboratory, held.settings
    rule: list[Part] = [Words(DECISION)]
    if lab.decision_rule:
        rule.append(Words(f"The laboratory states: {lab.decision_rule}"))
    opinions: list[Part] = [Section("Opinions and interpretations", 2), Words(lab.opinions)]
    next_day: list[Part] = [] if c.expires is None else [
        Words(f"The last day of use of the file that goes with this paper is"
              f" {c.expires.isoformat()}.")
    ]  # fmt: skip
    return [
        Section("Decision rule"),
        *rule,
        *(opinions if lab.opinions else []),
        Section("Recommendation, apart from the results"),
        *([Words(lab.next_calibration)] if lab.next_calibration else []),
        *next_day,
        Section("Cautions"),
        Points(CAUTIONS),
        Section("Authorisation"),
        Words(FROM_MEMORY, "small"),
        Words(ONLY_IN_FULL),
        Signatures((
            ("Calibrated by", s.operator, ""),
            ("Checked by", lab.checked_by, ""),
            ("Authorised by, with date", lab.authorised_by, lab.authorised_role),
        )),
    ]  # fmt: skip


def span_words(pair: tuple[float, float] | None, unit: str) -> str:
    """``45 % to 55 %``; one value where both are the same."""
    if pair is None:
        return ""
    low, high = (f"{value:g} {unit}" for value in pair)
    return low if low == high else f"{low} to {high}"


def span_of_days(first: date | None, last: date | None) -> str:
    """``2026-05-03 to 2026-05-04``; what is not known of it is left out."""
    days = list(dict.fromkeys(day.isoformat() for day in (first, last) if day is not None))
    return " to ".join(days)


def _temperature(held: Held) -> str:
    told = []
    if held.settings.room_temperature_C is not None:
        told.append(f"{held.settings.room_temperature_C:g} °C in the room")
    seen = [float(t) for t in held.readings.temperature_C if not math.isnan(float(t))]
    if seen:
        told.append(f"{span_words((min(seen), max(seen)), '°C')} with the readings")
    return ", ".join(told)


def _day(day: date | None) -> str:
    return "" if day is None else day.isoformat()


def _lines(*words: str, between: str = "\n") -> str:
    return between.join(word for word in words if word)
