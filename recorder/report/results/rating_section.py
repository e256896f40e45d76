"""Tonnage rating: loads over grades, balancing speeds, what cannot be rated."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calibration.quantities.written import written
from recorder.report.pages.charts import rating_chart
from recorder.report.pages.document import Block, Chart, Heading, Text, TextTable, plain, pm

if TYPE_CHECKING:
    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.report.pages.shown_units import ShownUnits
    from recorder.report.section_parts.naming import Naming

__all__ = ["rating_section"]


def rating_section(answer: CampaignAnswer, naming: Naming) -> list[Block]:
    """Loads at the minimum speed, balancing speeds, grades that cannot be rated."""
    units, rating = naming.units, answer.rating
    heading = Heading("Results: tonnage rating")
    if not rating.ratings:
        why = "The tonnage cannot be rated; the reason stands under Deviations and cautions."
        return [heading, Text(why), *_beyond(answer, units)]
    return [
        heading,
        Chart(
            "rating",
            rating_chart(rating.ratings, units),
            "Trailing load over each grade at the minimum speed, ± 95 %.",
        ),
        _loads(answer, units),
        *_balancing(answer, units),
        *_beyond(answer, units),
    ]


def _loads(answer: CampaignAnswer, units: ShownUnits) -> Block:
    rows = tuple(
        (
            f"{r.grade * 100:.2f}",
            "straight"
            if r.curvature_per_m == 0
            else written(units.factor("m") / abs(r.curvature_per_m), 0),
            f"{r.speed_m_s * units.factor('m/s'):.1f}",
            r.weather,
            pm(units.of(r.pull_on_grade_kN)),
            pm(units.of(r.trailing_t)),
        )
        for r in answer.rating.ratings
    )
    heads = (
        "grade, %",
        f"mean radius, {units.label('m')}",
        f"minimum speed, {units.label('m/s')}",
        "weather",
        f"drawbar pull available, {units.label('kN')}",
        f"trailing load, {units.label('t')}",
    )
    return TextTable(
        heads, rows, "Tonnage rating, worked from measured pull and fitted resistance, ± 95 %."
    )


def _balancing(answer: CampaignAnswer, units: ShownUnits) -> list[Block]:
    if not answer.rating.balancing:
        return []
    rows = tuple(
        (f"{b.grade * 100:.2f}", pm(units.of(b.speed))) for b in answer.rating.balancing
    )
    heads = ("grade, %", f"balancing speed, {units.label('m/s')}")
    return [TextTable(heads, rows, "Balancing speeds with the train of the first run, ± 95 %.")]


def _beyond(answer: CampaignAnswer, units: ShownUnits) -> list[Block]:
    """Grades that cannot be climbed, and the car factor."""
    rating = answer.rating
    blocks: list[Block] = []
    if rating.not_climbed:
        grades = ", ".join(f"{100 * g:.2f} %" for g in rating.not_climbed)
        words = "the locomotive cannot lift itself, or the train would roll by itself"
        blocks.append(Text(f"No load can be rated on {grades}: {words}."))
    if rating.car_factor_t is not None:
        load = plain(rating.car_factor_t * units.factor("t"), 3)
        blocks.append(
            Text(
                f"Car factor: each axle counts as {load} {units.label('t')} more in the adjusted"
                " tonnage (29 lb of journal resistance an axle, W. J. Davis, General Electric"
                " Review 29, 1926, from memory; over the fitted resistance)."
            )
        )
    return blocks
