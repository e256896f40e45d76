"""Everything of a report into a folder: PDF, HTML, chart roll, tables, appendix, results.json."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from calibration.files.durable import write_whole
from recorder.analysis.campaign.unmade import Unmade, attempt
from recorder.machine.version import software
from recorder.report.closing.appendix_files import appendix_files, write_appendix
from recorder.report.data.results_json import results_json
from recorder.report.data.tables import grid_sections, write_tables
from recorder.report.opening.title_block import report_number, title_of
from recorder.report.pages.document import Document
from recorder.report.pages.rendering import to_pdf
from recorder.report.pages.shown_units import SYSTEMS, ShownUnits
from recorder.report.pages.web_page import to_html
from recorder.report.particulars.days import day_of
from recorder.report.roll.roll import RollScale, chart_roll
from recorder.report.section_parts.naming import naming_of
from recorder.report.trial.sections import report_blocks
from recorder.run.parts.progress import untold

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.run.parts.progress import Progress

__all__ = ["ReportOptions", "write_report"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportOptions:
    """How an answer is laid out."""

    grid: str = "1s"
    """Rows of the run table: ``10s``, ``100m``, or the kind of a mark."""
    roll: RollScale = field(default_factory=RollScale)
    roll_long: bool = False
    units: str = ""
    """``metric`` or ``customary``; by default those of the first run's car sheet."""


def write_report(
    answer: CampaignAnswer,
    out: Path,
    options: ReportOptions,
    *,
    progress: Progress | None = None,
) -> dict[str, Any]:
    """Write the report of an answer; returns what went into results.json.

    Raises
    ------
    ValueError
        A grid or scale that cannot be used; one line.
    OSError
        The folder cannot be written.
    """
    report = progress or untold
    out.mkdir(parents=True, exist_ok=True)
    runs = [run.loaded for run in answer.runs]
    for run in runs:
        grid_sections(run, options.grid)  # a grid that is none is refused before any work
    units = SYSTEMS[options.units or runs[0].provenance.units]
    unmade = list(answer.unmade)
    report(0.1, "tables")
    _tables(answer, out / "tables", options.grid, unmade)
    report(0.4, "charts and pages")
    document = _document(answer, units, unmade)
    write_whole(out / "report.pdf", to_pdf(document))
    write_whole(out / "report.html", to_html(document).encode())
    report(0.7, "chart roll")
    rolled = [(run.loaded, run.results) for run in answer.runs]
    roll = attempt(
        "the chart roll",
        lambda: chart_roll(rolled, options.roll, long=options.roll_long, units=units),
        None,
        unmade,
    )
    if roll is not None:
        write_whole(out / "chart_roll.pdf", roll)
    naming = naming_of(answer, units)
    write_appendix(appendix_files(runs, naming), out)
    results = results_json(answer, software=software(), unmade=unmade)
    text = json.dumps(results, indent=1, ensure_ascii=False, allow_nan=False)
    write_whole(out / "results.json", f"{text}\n".encode())
    report(1.0, "done")
    return results


def _tables(answer: CampaignAnswer, folder: Path, grid: str, unmade: list[Unmade]) -> None:
    made: list[Path] = []
    attempt("the tables", lambda: write_tables(answer, folder, grid=grid), made, unmade)


def _document(answer: CampaignAnswer, units: ShownUnits, unmade: list[Unmade]) -> Document:
    first = answer.runs[0].loaded
    day = day_of(first)
    name = first.trip.name if first.trip is not None and first.trip.name else ""
    return Document(
        title=title_of(answer),
        subtitle=f"{name}, {day}" if name else day,
        blocks=report_blocks(answer, units, unmade),
        footer=f"{software()}  ·  run {first.run_id[:12]}",
        number=report_number(answer),
    )
