"""The report's content as blocks, in the order of a test bulletin."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from recorder.report.closing.appendices import appendices_section
from recorder.report.closing.appendix_files import appendix_files
from recorder.report.closing.calibration_section import calibration_section
from recorder.report.closing.conclusion_section import conclusion_section
from recorder.report.closing.deviations_section import deviations_section
from recorder.report.closing.nomenclature_section import (
    assumptions_section,
    nomenclature_section,
)
from recorder.report.closing.uncertainty_section import uncertainty_section
from recorder.report.opening.first_page import answer_block, first_page, rests_on
from recorder.report.opening.instruments_section import (
    instruments_section,
    object_section,
)
from recorder.report.opening.method import method_section
from recorder.report.pages.document import Block
from recorder.report.pages.shown_units import METRIC, ShownUnits
from recorder.report.results.conditions_section import conditions_section
from recorder.report.results.energy_section import energy_section, fuel_section
from recorder.report.results.performance_section import performance_section
from recorder.report.results.rating_section import rating_section
from recorder.report.results.resistance_section import resistance_section
from recorder.report.results.run_section import run_section
from recorder.report.section_parts.made import made
from recorder.report.section_parts.naming import naming_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.campaign.unmade import Unmade
    from recorder.report.section_parts.naming import Naming

__all__ = ["report_blocks"]

Sections = list[tuple[str, "Callable[[], list[Block]]"]]


def report_blocks(
    answer: CampaignAnswer,
    units: ShownUnits = METRIC,
    unmade: list[Unmade] | None = None,
) -> list[Block]:
    """All blocks of the report, in order; a section that cannot be made says so in its place.

    What could not be made is added to ``unmade``.
    """
    held = [] if unmade is None else unmade
    naming = naming_of(answer, units)
    blocks = first_page(answer, naming, held)
    for what, make in (*_before(answer, naming), *_results(answer, naming)):
        blocks += made(what, make, held)
    for what, make in _after(answer, naming, held):
        blocks += made(what, make, held)
    return blocks


def _before(answer: CampaignAnswer, naming: Naming) -> Sections:
    runs = [run.loaded for run in answer.runs]
    return [
        ("Object of the trial", lambda: object_section(answer, naming)),
        ("Instruments", lambda: instruments_section(answer, naming)),
        ("Checks in the field", lambda: calibration_section(runs, naming)),
        ("Method", lambda: method_section(answer, naming)),
        ("Conditions and runs", lambda: conditions_section(answer, naming)),
    ]


def _results(answer: CampaignAnswer, naming: Naming) -> Sections:
    sections: Sections = [
        ("Performance", lambda: performance_section(answer, naming)),
        ("Train resistance", lambda: resistance_section(answer, naming)),
        ("Tonnage rating", lambda: rating_section(answer, naming)),
        ("Energy balance", lambda: energy_section(answer, naming)),
        ("Fuel and water", lambda: fuel_section(answer, naming)),
    ]
    sections += [
        (naming.run(run.loaded.name), partial(run_section, run, naming)) for run in answer.runs
    ]
    return sections


def _after(answer: CampaignAnswer, naming: Naming, held: list[Unmade]) -> Sections:
    runs = [run.loaded for run in answer.runs]
    return [
        ("Uncertainty budget", lambda: uncertainty_section(answer, naming)),
        ("Deviations and cautions", lambda: deviations_section(answer, naming, held)),
        ("Conclusion", lambda: _conclusion(answer, naming)),
        ("Nomenclature", lambda: nomenclature_section(naming)),
        ("Assumptions", lambda: assumptions_section(answer, naming)),
        (
            "Appendices",
            lambda: appendices_section(runs, naming, appendix_files(runs, naming)),
        ),
    ]


def _conclusion(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    found = answer_block(answer, naming)
    return conclusion_section(answer, found, rests_on=rests_on(answer, naming))
