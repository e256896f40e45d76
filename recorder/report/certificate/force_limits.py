"""What a reader of a force certificate must know: limits, what is not stated, not assessed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder.report.certificate.fonts import without_font
from recorder.report.certificate.force_words import not_assessed
from recorder.report.certificate.paper import Part, Points, Section, Words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from calibration.readings.laboratory import Laboratory
    from recorder.report.certificate.force_facts import Held
    from recorder.report.certificate.force_results import Sense

__all__ = [
    "calibration_asked",
    "laboratory_asked",
    "limits_part",
    "missing_words",
    "not_stated_part",
]


def limits_part(held: Held, told: Sequence[Sense]) -> list[Part]:
    """Cautions of the evaluation, then in one list what nobody stated or measured."""
    parts: list[Part] = [Section("What a reader must know")]
    cautions = [str(line) for line in held.results.get("cautions", ())]
    if cautions:
        parts.append(Points([_sentence(line) for line in cautions]))
    parts += not_stated_part(_not_stated(held), _all_words(held))
    unknown = _by_sense({
        sense.name: [*not_assessed(sense.figures), *_not_in_budget(sense)] for sense in told
    })  # fmt: skip
    if unknown:
        parts += [Section("Not assessed, with the reason", 2), Points(unknown)]
    if len(parts) == 1:
        parts.append(Words("Nothing beyond the statements above."))
    return parts


def not_stated_part(missing: Sequence[str], words: str) -> list[Part]:
    """What is missing, and the letters that do not print."""
    parts: list[Part] = []
    if missing:
        parts += [Section("Not stated", 2), Points([_sentence(line) for line in missing])]
    letters = without_font(words)
    if letters:
        told = (
            f"{len(letters)} letter(s) of this certificate have no shape in the fonts of the"
            " machine that printed it and show as boxes; the file holds them."
        )
        parts += [Section("Letters that do not print", 2), Words(told)]
    return parts


def _not_stated(held: Held) -> list[str]:
    lab, s, standard = held.laboratory, held.settings, held.settings.standard
    warm = s.room_temperature_C is not None or "temperature_C" in held.readings.columns
    return missing_words({
        **laboratory_asked(lab),
        "of the calibration": {
            "place": s.place, **calibration_asked(lab), "temperature": warm,
            "who calibrated": s.operator, "who authorises": lab.authorised_by,
        },
        "of the reference standard": {
            "name": s.reference, "serial number": standard.serial,
            "certificate": standard.certificate, "who issued that": standard.issued_by,
            "how long that is valid": standard.valid_until,
            "traceability": standard.traceability,
            "expanded uncertainty": s.reference_U_pct is not None,
        },
        "of the use": {"temperatures of service": s.service_temperature_C},
    })  # fmt: skip


def laboratory_asked(lab: Laboratory) -> dict[str, dict[str, object]]:
    """What is asked of laboratory, customer and item, each with its value."""
    return {
        "of the laboratory": {"name": lab.name, "address": lab.address},
        "of the customer": {"name": lab.customer, "address": lab.customer_address},
        "of the item": {
            "maker": lab.cell_maker, "type": lab.cell_type, "serial number": lab.cell_serial,
            "indicator": lab.indicator, "cable": lab.cable,
            "condition as received": lab.condition, "adjustments": lab.adjustments,
        },
    }  # fmt: skip


def calibration_asked(lab: Laboratory) -> dict[str, object]:
    """What is asked of the calibration itself."""
    return {
        "day of receipt": lab.received,
        "days of it": lab.began or lab.ended,
        "method": lab.method,
        "deviations from that": lab.deviations,
        "humidity": lab.humidity_pct,
    }


def missing_words(groups: Mapping[str, Mapping[str, object]]) -> list[str]:
    """``of the customer: name, address``: what has no value, by what it is a fact of."""
    missing = {
        of: [name for name, value in asked.items() if not value] for of, asked in groups.items()
    }
    return [f"{of}: {', '.join(names)}" for of, names in missing.items() if names]


def _not_in_budget(sense: Sense) -> list[str]:
    """Components without a number, but those of a figure that is told already."""
    told = {figure["reason"] for figure in sense.figures.values() if figure["value"] is None}
    return [
        f"{component['name']}, not in the budget: {component['basis']}"
        for component in sense.results["budget"]["components"]
        if component["standard_kN"] is None and component["basis"] not in told
    ]


def _by_sense(lines: Mapping[str, Sequence[str]]) -> list[str]:
    """Each line once, with the senses it holds for where that is not all of them."""
    senses: dict[str, list[str]] = {}
    for name, of_sense in lines.items():
        for line in of_sense:
            senses.setdefault(line, []).append(name)
    return [
        _sentence(line if len(names) == len(lines) else f"{' and '.join(names)}, {line}")
        for line, names in senses.items()
    ]


def _all_words(held: Held) -> str:
    return f"{held.settings.to_document()}{held.readings.series_names}"


def _sentence(line: str) -> str:
    return line[:1].upper() + line[1:] + ("" if line.endswith((".", "!", "?")) else ".")
