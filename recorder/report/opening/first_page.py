"""The page for the chief mechanical officer: the answer, what it rests on and what limits it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from calibration.quantities.sentence import amount, join, say
from calibration.quantities.written import many
from recorder.analysis.admission.summary import sum_up
from recorder.analysis.specification.overall import untested
from recorder.analysis.specification.verdicts import Verdict
from recorder.marks.kinds import Kind
from recorder.report.closing.cautions import NO_CAUTION, cautions_of
from recorder.report.closing.uncertainty_section import greatest_causes
from recorder.report.opening.title_block import title_block
from recorder.report.pages.document import Block, Text, VerdictBlock, pm
from recorder.report.pages.wording import CAUTION
from recorder.report.results.bands_table import band_table
from recorder.report.section_parts.made import made

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.campaign.unmade import Unmade
    from recorder.report.section_parts.naming import Naming

__all__ = ["answer_block", "doubt_blocks", "first_page", "rests_on"]

MOST_CAUTIONS: Final = 5
"""More would not leave it one page."""


def first_page(answer: CampaignAnswer, naming: Naming, unmade: list[Unmade]) -> list[Block]:
    """Title block, verdict, what it rests on, bands, what stands against it, caution."""
    causes = greatest_causes(answer, naming)
    cautions = [causes] * bool(causes) + cautions_of(answer, naming)
    if causes and NO_CAUTION in cautions:
        cautions.remove(NO_CAUTION)
    more = len(cautions) - MOST_CAUTIONS
    shown = [Text(f"• {words}", "small") for words in cautions[:MOST_CAUTIONS]]
    if more > 0:
        shown.append(Text(f"• and {more} more, under Deviations and cautions", "small"))
    return [
        *made("Title block", lambda: [title_block(answer, naming)], unmade),
        answer_block(answer, naming),
        *made("What the answer rests on", lambda: [Text(rests_on(answer, naming))], unmade),
        *doubt_blocks(answer, naming),
        *made("Speed bands", lambda: [band_table(answer, naming)], unmade),
        Text("What limits confidence:"),
        *shown,
        Text(CAUTION, "caution foot"),
    ]


def answer_block(answer: CampaignAnswer, naming: Naming) -> VerdictBlock:
    """The verdict and what decided it."""
    whole = answer.overall
    reasons = naming.units.words(join("; ", whole.reasons))
    if whole.verdict is Verdict.DOUBTED:
        reasons = "no verdict while a doubt below stands: mend what is wrong, or answer for it"
    detail = reasons[:1].upper() + reasons[1:] + ("." if reasons else "")
    if whole.margin is not None:
        detail += f" Mean margin over the specification {pm(whole.margin, unit=True)}."
    if any(run.energy_balance.closes is False for run in answer.runs):
        detail += (
            " The energy balance leaves more unaccounted for than its uncertainty: read what"
            " limits confidence first."
        )
    return VerdictBlock(_verdict_words(answer), detail)


def rests_on(answer: CampaignAnswer, naming: Naming) -> str:
    """Bands, test sections, distance and witnesses that the answer stands on."""
    results = [r for run in answer.runs for r in run.results]
    summed = sum_up(results)
    good = [r for r in results if r.admission.admitted]
    metres = math.fsum(abs(r.speed.value) * r.stretch.seconds for r in good)
    judged = [b for b in answer.bands if b.margin is not None]
    bands = f"{many(len(judged), 'speed band')} judged"
    if judged:
        bands = say(bands, " (", join(", ", [b.name for b in judged]), ")")
    told = say(
        "Rests on: ",
        bands,
        f"; {summed.admitted} of {many(summed.stretches, 'test section')} admitted, "
        f"{summed.admitted_s:.0f} s and ",
        amount(metres / 1000.0, "km", 1),
        f" in {many(len(answer.runs), 'run')}; witnesses: {', '.join(_witnesses(answer))}",
        "; every ± in this report is for 95 %.",
    )
    return naming.units.words(told)


def _witnesses(answer: CampaignAnswer) -> list[str]:
    """What was held against what."""
    told: list[str] = []
    for run in answer.runs:
        held = run.loaded
        placement, zeros = held.provenance.placement, held.provenance.field_checks.zeros
        used = 0 if placement is None else placement.posts_used
        told += ["mileposts keyed"] * (used > 0)
        told += ["receiver on the route"] * (placement is not None and placement.gnss_used > 0)
        told += ["zeros taken"] * any(z.zero.holds for z in zeros)
        told += ["shunt checks"] * bool(held.provenance.field_checks.shunts)
        told += ["throttle marks"] * any(m.kind == Kind.THROTTLE for m in held.marks)
    return list(dict.fromkeys(told)) or ["none beside the pull and the speed themselves"]


def doubt_blocks(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    """What contradicts the records, and what the crew answered."""
    told: list[Block] = []
    for run in answer.runs:
        for d in run.doubts:
            held = f" Answered: {d.answer}" if d.answer else ""
            words = naming.units.words(d.text)
            letter = naming.letter(run.loaded.name)
            told.append(Text(f"• Run {letter}, doubted ({d.kind}): {words}.{held}", "small"))
    return told


def _verdict_words(answer: CampaignAnswer) -> str:
    spec = answer.specification
    partly = spec is not None and bool(untested(answer.bands, spec))
    return {
        Verdict.MEETS: "Meets its specification" + " at the speeds tested" * partly,
        Verdict.DOES_NOT_MEET: "Does not meet its specification",
        Verdict.NO_SPECIFICATION: "No specification to compare with",
        Verdict.REFUSED: "Cannot be told: nothing was admitted to judgement",
        Verdict.NOT_MEASURED: "Cannot be told: pull or speed was not measured",
        Verdict.DOUBTED: "No verdict: the record is doubted",
        Verdict.DISAGREE: "Cannot be told: the runs do not agree",
        Verdict.NOT_TESTED: "Not tested at a specified speed",
    }.get(answer.overall.verdict, "Cannot be told with this uncertainty")
