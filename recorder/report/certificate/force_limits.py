"""What a reader of a force certificate must know: limits, what is not stated, not assessed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder.report.certificate.force_words import not_assessed
from recorder.report.certificate.missing_parts import not_stated_part, sentence
from recorder.report.certificate.paper import Part, Points, Section, Words

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from recorder.report.certificate.force_results import Held, Sense

__all__ = ["limits_part"]


def limits_part(held: Held, told: Sequence[Sense]) -> list[Part]:
    """Cautions of the evaluation, then in one list what nobody stated or measured."""
    parts: list[Part] = [Section("What a reader must know")]
    cautions = [str(line) for line in held.results.get("cautions", ())]
    if cautions:
        parts.append(Points([sentence(line) for line in cautions]))
    lab, use = held.settings.laboratory, held.settings.service_temperature_C
    parts += not_stated_part(
        held.settings,
        item={
            "serial number": held.certificate.serial or lab.cell_serial,
            "indicator": lab.indicator,
            "cable": lab.cable,
        },
        temperature=held.temperature,
        asked={"of the use": {"temperatures of service": use}},
        words=f"{held.settings.to_document()}{held.readings.series_names}",
    )
    unknown = _by_sense({
        sense.name: [*not_assessed(sense.figures), *_not_in_budget(sense)] for sense in told
    })  # fmt: skip
    if unknown:
        parts += [Section("Not assessed, with the reason", 2), Points(unknown)]
    if len(parts) == 1:
        parts.append(Words("Nothing beyond the statements above."))
    return parts


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
        sentence(line if len(names) == len(lines) else f"{' and '.join(names)}, {line}")
        for line, names in senses.items()
    ]
