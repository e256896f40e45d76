"""Deviations: doubts and their answers, gaps and faults, what was switched off, edited, unmade."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Final

from calibration.quantities.printable import one_line
from recorder.report.closing.cautions import cautions_of
from recorder.report.closing.marked_deviations import marked_deviations
from recorder.report.pages.document import Block, Heading, RunPlace, Text, TextTable

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.analysis.campaign.unmade import Unmade
    from recorder.report.section_parts.naming import Naming

__all__ = ["MOST_ROWS", "deviations_section", "listed"]

_PORT: Final = re.compile(r" at \w+://\S+")
"""Of which port a link was says nothing on paper: the car sheet in the appendix has it."""
MOST_ROWS: Final = 500
"""Of one list on paper: some ten pages, which nobody reads to their end (our choice)."""


def deviations_section(
    answer: CampaignAnswer, naming: Naming, unmade: Sequence[Unmade]
) -> list[Block]:
    """Everything in which the trial was not as planned, or the report is not whole."""
    blocks: list[Block] = [Heading("Deviations and cautions"), *_doubts(answer, naming)]
    blocks += [Text(f"Corrections switched off: {_off(answer)}.")]
    blocks += _edits(answer, naming)
    blocks += [
        Text(f"• {naming.owned(u.what)} could not be made: {naming.units.words(u.why)}; the rest"
             " of the answer stands.")
        for u in unmade
    ]  # fmt: skip
    for run in answer.runs:
        blocks += _lost(run.loaded, naming)
        blocks += _gaps(run.loaded, naming) + _health(run.loaded, naming)
        blocks += _marked(run.loaded, naming)
    blocks.append(Heading("Cautions", 2))
    return [*blocks, *(Text(f"• {words}") for words in cautions_of(answer, naming))]


def _doubts(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    rows = tuple(
        (
            naming.letter(run.loaded.name),
            str(d.kind),
            naming.units.words(d.text),
            d.answer or ("STANDS: no verdict" if d.stands else "told only"),
        )
        for run in answer.runs
        for d in run.doubts
    )
    if not rows:
        return [Text("No doubt about the record: nothing in it contradicts the rest of it.")]
    heads = ("run", "doubted", "what was found", "the crew's answer")
    return [TextTable(heads, rows, "What contradicts the record, and what was answered.")]


def _off(answer: CampaignAnswer) -> str:
    switched = asdict(answer.settings.switches)
    return ", ".join(n.replace("_", " ") for n, on in switched.items() if not on) or "none"


def _edits(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    rows = tuple(
        (naming.letter(e.run), str(e.action), f"{e.t_start_s:.0f}-{e.t_end_s:.0f}", e.reason)
        for e in answer.settings.edits
    )
    if not rows:
        return [Text("Test sections struck out or added by the crew: none.")]
    ids = {r.loaded.name: r.loaded.run_id for r in answer.runs}
    places = tuple(RunPlace(ids[e.run], e.t_start_s) for e in answer.settings.edits)
    heads = ("run", "edit", "time, s", "reason")
    return [TextTable(heads, rows, "Test sections struck out or added by the crew.", places)]


def _lost(loaded: LoadedRun, naming: Naming) -> list[Block]:
    """What the run lacks because its journal, or its notes, were damaged."""
    lost = loaded.provenance.description.journal_damage
    told = f"Lost from {naming.run(loaded.name)} with its damaged journal"
    notes = f"The notes of {naming.run(loaded.name)} were damaged"
    return [
        *(Text(f"• {told}: {words}.") for words in lost),
        *(Text(f"• {notes}: {one_line(words)}.") for words in loaded.provenance.mended),
    ]


def _gaps(loaded: LoadedRun, naming: Naming) -> list[Block]:
    called = naming.run(loaded.name)
    rows = tuple(
        (
            g.device,
            f"{g.t_start_s:.3f}",
            f"{g.t_end_s:.3f}",
            g.cause,
            f"{g.lost_records}",
            _PORT.sub("", g.detail),
        )
        for g in loaded.gaps
    )
    if not rows:
        return [Text(f"Gaps and faults of {called}: none was recorded.")]
    heads = ("device", "from, s", "to, s", "cause", "records lost", "detail")
    places = tuple(RunPlace(loaded.run_id, g.t_start_s) for g in loaded.gaps)
    return [
        listed(heads, rows, f"Gaps and faults of {called}.", "the table tables/gaps", places)
    ]


def _health(loaded: LoadedRun, naming: Naming) -> list[Block]:
    """Times in which a channel was not sound."""
    held = loaded.provenance.description.episodes
    rows = tuple(
        (
            ", ".join(e.channels),
            f"{e.t_start_s:.1f}",
            f"{e.t_stop_s:.1f}",
            str(e.fault),
            f"{e.samples}",
            e.text,
        )
        for e in held
    )
    if not rows:
        return []
    heads = ("channel", "from, s", "to, s", "fault", "samples", "what was seen")
    caption = (
        f"Times of {naming.run(loaded.name)} in which a channel was not sound. Single spikes are in"
        " no figure; what was stuck, railed or contradicted is not judged."
    )
    places = tuple(RunPlace(loaded.run_id, e.t_start_s) for e in held)
    return [listed(heads, rows, caption, "results.json", places)]


def _marked(loaded: LoadedRun, naming: Naming) -> list[Block]:
    """Marks that tell of what did not go as planned."""
    found = marked_deviations(loaded, naming.units)
    told = f"Marks put right, wheel slips and changes of weather on {naming.run(loaded.name)}"
    if not found:
        return [Text(f"{told}: none was keyed.")]
    places = [RunPlace(loaded.run_id, t_s) for t_s, _ in found]
    heads = ("run time, s", "what", "the mark as it stands")
    rows = [row for _, row in found]
    return [listed(heads, rows, f"{told}.", "the table tables/marks", places)]


def listed(
    heads: tuple[str, ...],
    rows: Sequence[tuple[str, ...]],
    caption: str,
    whole: str,
    places: Sequence[RunPlace],
) -> TextTable:
    """The first rows of a list, and where all of them are."""
    if len(rows) > MOST_ROWS:
        caption += f" The first {MOST_ROWS:,} of {len(rows):,}; {whole} has them all."
    return TextTable(heads, tuple(rows[:MOST_ROWS]), caption, tuple(places[:MOST_ROWS]))
