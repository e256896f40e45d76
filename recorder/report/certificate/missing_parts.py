"""What nobody stated, once in a list; and letters that do not print."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from recorder.report.certificate.paper import Part, Points, Section, Words
from recorder.report.pages.typeface import without_font

if TYPE_CHECKING:
    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.laboratory import Laboratory

Facts = Mapping[str, object]
"""Values by the name of the fact; what counts as false is missing."""

__all__ = ["not_stated_part", "sentence"]


def not_stated_part(
    s: BenchSettings, *, item: Facts, temperature: str, asked: Mapping[str, Facts], words: str
) -> list[Part]:
    """What ISO/IEC 17025 asks for and nobody stated.

    ``item`` is what is asked of the item beside maker, type and condition, ``asked`` what is
    asked beside that, by what it is a fact of; ``words`` are all the words of the certificate.
    """
    groups = {**_of_laboratory(s.laboratory, item), **_of_calibration(s, temperature), **asked}
    missing = {
        of: [name for name, value in asked.items() if not value] for of, asked in groups.items()
    }
    lines = [sentence(f"{of}: {', '.join(names)}") for of, names in missing.items() if names]
    parts: list[Part] = [Section("Not stated", 2), Points(lines)] if lines else []
    if letters := without_font(words):
        told = (
            f"{len(letters)} letter(s) of this certificate have no shape in the fonts of the"
            " machine that printed it and show as boxes; the file holds them."
        )
        parts += [Section("Letters that do not print", 2), Words(told)]
    return parts


def sentence(line: str) -> str:
    """With a capital and a full stop."""
    return line[:1].upper() + line[1:] + ("" if line.endswith((".", "!", "?")) else ".")


def _of_laboratory(lab: Laboratory, item: Facts) -> dict[str, dict[str, object]]:
    return {
        "of the laboratory": {"name": lab.name, "address": lab.address},
        "of the customer": {"name": lab.customer, "address": lab.customer_address},
        "of the item": {
            "maker": lab.cell_maker, "type": lab.cell_type, **item,
            "condition as received": lab.condition, "adjustments": lab.adjustments,
        },
    }  # fmt: skip


def _of_calibration(s: BenchSettings, temperature: str) -> dict[str, dict[str, object]]:
    lab, standard = s.laboratory, s.standard
    return {
        "of the calibration": {
            "place": s.place, "day of receipt": lab.received, "days of it": lab.began or lab.ended,
            "method": lab.method, "deviations from that": lab.deviations,
            "humidity": lab.humidity_pct, "temperature": temperature,
            "who calibrated": s.operator, "who authorises": lab.authorised_by,
        },
        "of the reference standard": {
            "name": s.reference, "serial number": standard.serial,
            "certificate": standard.certificate, "who issued that": standard.issued_by,
            "how long that is valid": standard.valid_until,
            "traceability": standard.traceability,
            "expanded uncertainty": s.reference_U_pct is not None,
        },
    }  # fmt: skip
