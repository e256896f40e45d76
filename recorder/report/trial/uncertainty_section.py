"""The uncertainty of the answer taken apart by cause."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.report.pages.document import Block, Heading, Text, TextTable, plain, pm

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.uncertainty.measured import Measured

__all__ = ["greatest_causes", "joined_causes", "uncertainty_section"]

MOST_CAUSES = 3
"""On the first page."""


def uncertainty_section(answer: CampaignAnswer) -> list[Block]:
    """The causes of one figure, and its check by Monte Carlo."""
    blocks: list[Block] = [Heading("Uncertainty by cause")]
    figure, what = _taken_apart(answer)
    if figure is None:
        return [*blocks, Text("No figure to take apart.")]
    rows = tuple(
        (name, plain(u), f"{100 * (u / figure.u) ** 2:.1f}" if figure.u else "—")
        for name, u in joined_causes(figure).items()
    )
    heads = ("cause", "standard uncertainty, kN", "share of variance, %")
    blocks.append(TextTable(heads, rows, f"Of the {what}; causes of a kind joined."))
    made = answer.simulated
    if made is not None and answer.propagated_margin_kN is not None:
        blocks.append(
            Text(
                f"Mean margin by propagation {pm(answer.propagated_margin_kN, unit=True)}; by Monte"
                f" Carlo with {made.draws} draws {plain(made.mean_kN)} kN, 95 % from"
                f" {plain(made.low_kN)} to {plain(made.high_kN)} kN."
            )
        )
    return blocks


def greatest_causes(answer: CampaignAnswer) -> str:
    """The causes that make up most of the variance, in words; empty when there are none."""
    figure, what = _taken_apart(answer)
    if figure is None or not figure.u or not math.isfinite(figure.u):
        return ""
    greatest = list(joined_causes(figure).items())[:MOST_CAUSES]
    shares = ", ".join(f"{c} {100 * (u / figure.u) ** 2:.0f} %" for c, u in greatest)
    return f"of the variance of the {what}: {shares}"


def joined_causes(value: Measured) -> dict[str, float]:
    """Standard uncertainty by cause, what stretches have of their own joined, greatest first."""
    joined: dict[str, float] = {}
    for cause, part in value.parts.items():
        name = _name(cause)
        joined[name] = math.hypot(joined.get(name, 0.0), part)
    return dict(sorted(joined.items(), key=lambda kv: (-kv[1], kv[0])))


def _name(cause: UncertaintyCause) -> str:
    if cause.kind is CauseKind.SCATTER:
        return "scatter between stretches"
    return cause.label if cause.extent is None else f"{cause.family} of each stretch"


def _taken_apart(answer: CampaignAnswer) -> tuple[Measured | None, str]:
    """The figure whose uncertainty is taken apart, and its name."""
    if answer.propagated_margin_kN is not None:
        return answer.propagated_margin_kN, "mean margin"
    if answer.bands:
        return answer.bands[0].pull, "equivalent pull of the slowest band"
    return None, ""
