"""Performance by speed band, and the starting pull."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calibration.quantities.written import many
from recorder.analysis.specification.verdicts import Verdict
from recorder.report.pages.document import Block, Text, TextTable, plain, pm

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.specification.bands import Band
    from recorder.report.section_parts.naming import Naming

__all__ = ["band_table", "starting_words"]


def band_table(answer: CampaignAnswer, naming: Naming) -> Block:
    """One row a band; of one in which nothing was admitted, why."""
    units = naming.units
    if not answer.bands:
        return Text("No test section was found: there is no pull or power to report by speed.")
    k = units.factor("m/s")
    rows = tuple(
        (
            f"{b.low_m_s * k:.3g}-{b.high_m_s * k:.3g}",
            f"{b.admitted} of {b.refused + (b.stretches if b.margin is not None else 0)}",
            _of(b, pm(units.of(b.speed))),
            _of(b, pm(units.of(b.pull))),
            plain(b.limit_kN * units.factor("kN"), 4),
            "—" if b.margin is None else pm(units.of(b.margin)),
            _of(b, pm(units.of(b.power))),
            units.words(b.in_words),
        )
        for b in answer.bands
    )
    speed, pull = units.label("m/s"), units.label("kN")
    shown = any(b.verdict is Verdict.REFUSED and b.refused_twice for b in answer.bands)
    twice = " A test section refused for several reasons is counted under each." * shown
    heads = (
        f"band, {speed}",
        "admitted",
        f"mean speed, {speed}",
        f"pull, {pull}",
        f"specified, {pull}",
        f"margin, {pull}",
        f"power, {units.label('kW')}",
        "verdict",
    )
    caption = "Equivalent drawbar pull and power by speed band, ± 95 %."
    return TextTable(heads, rows, caption + twice)


def starting_words(answer: CampaignAnswer, naming: Naming) -> str:
    """The greatest starting pull against what is specified."""
    units = naming.units
    if answer.starting is None:
        return "No start from rest that can be judged lies in the record."
    starts = sum(len(run.starts) for run in answer.runs)
    pull = pm(units.of(answer.starting), unit=True)
    greatest = f"Greatest starting pull of {many(starts, 'start')}, one-second mean: {pull}"
    if answer.starting_limit_kN is None:
        return f"{greatest}; none is specified."
    limit = plain(answer.starting_limit_kN * units.factor("kN"), 4)
    return f"{greatest}; specified {limit} {units.label('kN')}: {answer.starting_verdict}."


def _of(band: Band, words: str) -> str:
    """A figure of a band; none where all was refused."""
    return words if band.admitted else "—"
