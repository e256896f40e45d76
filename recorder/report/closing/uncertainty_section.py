"""The uncertainty of the answer taken apart by cause."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.report.pages.document import Block, Heading, Text, TextTable, plain, pm

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.uncertainty.measured import Measured
    from recorder.report.section_parts.naming import Naming

__all__ = ["greatest_causes", "joined_causes", "uncertainty_section"]

MOST_CAUSES = 3
"""On the first page."""


def uncertainty_section(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    """The causes of one figure, and its check by Monte Carlo."""
    units = naming.units
    blocks: list[Block] = [Heading("Uncertainty budget")]
    figure, what = _taken_apart(answer)
    if figure is None:
        return [*blocks, Text("No figure to take apart: nothing was admitted to judgement.")]
    k, unit = units.factor("kN"), units.label("kN")
    rows = tuple(
        (name, plain(u * k), f"{100 * (u / figure.u) ** 2:.1f}" if figure.u else "—")
        for name, u in joined_causes(figure, naming).items()
    )
    heads = ("cause", f"standard uncertainty, {unit}", "share of the variance, %")
    whole = pm(units.of(figure), unit=True)
    caption = f"Budget of the {what}, {whole} (95 %); causes of one kind are joined."
    blocks.append(TextTable(heads, rows, caption))
    made, propagated = answer.simulated, answer.propagated_margin_kN
    if made is not None and propagated is not None:
        low, high, mean = (plain(v * k) for v in (made.low_kN, made.high_kN, made.mean_kN))
        blocks.append(
            Text(
                f"Checked: the mean margin of {naming.run(answer.runs[0].loaded.name)} is"
                f" {pm(units.of(propagated), unit=True)} by propagation, and by Monte Carlo with"
                f" {made.draws} draws {mean} {unit}, 95 % of them from {low} to {high} {unit}."
            )
        )
    return blocks


def greatest_causes(answer: CampaignAnswer, naming: Naming) -> str:
    """The causes that make up most of the variance, in words; empty when there are none."""
    figure, what = _taken_apart(answer)
    if figure is None or not figure.u or not math.isfinite(figure.u):
        return ""
    greatest = list(joined_causes(figure, naming).items())[:MOST_CAUSES]
    shares = [f"{c} ({100 * (u / figure.u) ** 2:.0f} %)" for c, u in greatest]
    return (
        f"The uncertainty of the {what} comes mostly from: {', '.join(shares)} of its variance"
    )


def joined_causes(value: Measured, naming: Naming) -> dict[str, float]:
    """Standard uncertainty by cause, what test sections have of their own joined, greatest
    first."""
    joined: dict[str, float] = {}
    for cause, part in value.parts.items():
        name = _name(cause, naming)
        joined[name] = math.hypot(joined.get(name, 0.0), part)
    return dict(sorted(joined.items(), key=lambda kv: (-kv[1], kv[0])))


def _name(cause: UncertaintyCause, naming: Naming) -> str:
    if cause.kind is CauseKind.SCATTER:
        return "differences between test sections, beyond their own uncertainty"
    owned = naming.owned(cause.owner)
    shown = cause if owned == cause.owner else replace(cause, owner=owned)
    if cause.extent is None or cause.kind is CauseKind.WANDER:
        return naming.units.words(shown.family)
    return f"{naming.units.words(shown.family)}, by test section"


def _taken_apart(answer: CampaignAnswer) -> tuple[Measured | None, str]:
    """The figure whose uncertainty is taken apart, and its name."""
    if answer.propagated_margin_kN is not None:
        return answer.propagated_margin_kN, "mean margin"
    judged = [b for b in answer.bands if b.admitted]
    if judged:
        return judged[0].pull, "equivalent pull of the slowest band"
    return None, ""
