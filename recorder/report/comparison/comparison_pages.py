"""Runs side by side as pages of the same look as the report, and in words for a terminal."""

from __future__ import annotations

import math

from calibration.quantities.constants import KM_H_PER_M_S
from recorder.analysis.campaign.comparison import (
    BandDifference,
    BandRow,
    Comparison,
    SectionDifference,
)
from recorder.machine.version import software
from recorder.report.pages.charts import comparison_chart
from recorder.report.pages.document import (
    Block,
    Chart,
    Document,
    Heading,
    Text,
    TextTable,
    TitleBlock,
    pm,
)
from recorder.report.pages.rendering import to_pdf
from recorder.report.pages.wording import CAUTION

__all__ = ["comparison_pdf", "in_words"]


def in_words(comparison: Comparison) -> str:
    """The comparison for a terminal."""
    lines = [f"compared with {comparison.runs[0].loaded.name}:"]
    lines += [
        f"{row.reference.name:>12} {row.rail} {d.run}: pull {pm(d.pull, unit=True)}, {_share(d)}"
        for row in comparison.bands
        for d in row.differences
    ]
    lines += [
        f"  {row.section}  {d.run}: equivalent pull"
        f" {pm(d.figures.equivalent_pull, unit=True)}: {_word(d)}"
        for row in comparison.sections
        for d in row.differences
    ]
    lines += [f"note: {n}" for n in comparison.notes]
    return "\n".join(lines)


def comparison_pdf(comparison: Comparison) -> bytes:
    """The comparison as a PDF."""
    first, *others = (run.loaded.name for run in comparison.runs)
    blocks: list[Block] = [
        TitleBlock((("First run", first), *(("Compared with it", name) for name in others))),
        *_band_blocks(comparison),
        *_section_blocks(comparison),
    ]
    if comparison.notes:
        blocks += [Heading("Notes"), *(Text(f"• {n}") for n in comparison.notes)]
    blocks.append(Text(CAUTION, "caution foot"))
    return to_pdf(
        Document(title="Comparison of runs", subtitle="", blocks=blocks, footer=software())
    )


def _share(difference: BandDifference) -> str:
    return f"{pm(difference.per_cent, unit=True)}: {_word(difference)}"


def _word(difference: BandDifference | SectionDifference) -> str:
    return "a difference" if difference.significant else "no difference that can be told"


def _band_blocks(comparison: Comparison) -> list[Block]:
    rows = tuple(
        (
            f"{row.reference.name.removesuffix(' km/h')} {row.rail}".rstrip(),
            pm(row.reference.pull, unit=True),
            d.run,
            pm(d.pull, unit=True),
            pm(d.power, unit=True),
            _share(d),
        )
        for row in comparison.bands
        for d in row.differences
    )
    blocks: list[Block] = [Heading("By speed band")]
    if not rows:
        return [*blocks, Text("No band is shared.")]
    heads = ("km/h", "first run, pull", "run", "pull less first", "power less first", "share")
    caption = "Equivalent drawbar pull, ± 95 % of the difference from the first run."
    curves = _curves(comparison.runs[0].loaded.name, comparison.bands)
    chart = Chart("comparison", comparison_chart(curves), caption)
    return [
        *blocks,
        chart,
        TextTable(heads, rows, "Each run less the first one, by speed band and rail, ± 95 %."),
    ]


def _curves(
    reference: str, bands: tuple[BandRow, ...]
) -> dict[str, list[tuple[float, float, float]]]:
    """By run: middle of the band in km/h, pull, expanded uncertainty of the difference."""
    curves: dict[str, list[tuple[float, float, float]]] = {reference: []}
    for row in bands:
        base = row.reference.pull.value
        if not math.isfinite(base):
            continue
        v = (row.reference.low_m_s + row.reference.high_m_s) / 2 * KM_H_PER_M_S
        curves[reference].append((v, base, 0.0))
        for d in row.differences:
            if math.isfinite(d.pull.value):
                spread = d.pull.expanded if math.isfinite(d.pull.expanded) else 0.0
                curves.setdefault(d.run, []).append((v, base + d.pull.value, spread))
    return curves


def _section_blocks(comparison: Comparison) -> list[Block]:
    rows = tuple(
        (
            row.section,
            d.run,
            pm(d.figures.pull, unit=True),
            pm(d.figures.equivalent_pull, unit=True),
            pm(d.figures.speed, unit=True),
            _word(d),
        )
        for row in comparison.sections
        for d in row.differences
    )
    blocks: list[Block] = [Heading("By section between mileposts")]
    if not rows:
        return [*blocks, Text("No section is shared.")]
    heads = ("section", "run", "pull", "equivalent pull", "speed", "difference")
    return [
        *blocks,
        TextTable(
            heads,
            rows,
            "Each run between the same mileposts, and whether it differs from the first; ± 95 %.",
        ),
    ]
