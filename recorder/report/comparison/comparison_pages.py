"""Runs side by side as pages of the same look as the report, and in words for a terminal."""

from __future__ import annotations

import math

from recorder.analysis.campaign.comparison import (
    BandDifference,
    BandRow,
    Comparison,
    SectionDifference,
)
from recorder.analysis.uncertainty.measured import Measured
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
from recorder.report.pages.shown_units import METRIC, ShownUnits
from recorder.report.pages.wording import CAUTION

__all__ = ["comparison_pdf", "in_words"]


def in_words(comparison: Comparison, units: ShownUnits = METRIC) -> str:
    """The comparison for a terminal."""
    speed = units.label("m/s")
    lines = [f"compared with {comparison.runs[0].loaded.name}:"]
    lines += [
        f"{_band(row, units):>9} {speed} {row.rail}{' ' * bool(row.rail)}{d.run}:"
        f" pull {_shown(d.pull, units)}, {_share(d)}"
        for row in comparison.bands
        for d in row.differences
    ]
    lines += [
        f"  {row.section}  {d.run}: equivalent pull"
        f" {_shown(d.figures.equivalent_pull, units)}: {_word(d)}"
        for row in comparison.sections
        for d in row.differences
    ]
    lines += [f"note: {units.words(n)}" for n in comparison.notes]
    return "\n".join(lines)


def comparison_pdf(comparison: Comparison, units: ShownUnits = METRIC) -> bytes:
    """The comparison as a PDF."""
    first, *others = (run.loaded.name for run in comparison.runs)
    blocks: list[Block] = [
        TitleBlock((("First run", first), *(("Compared with it", name) for name in others))),
        *_band_blocks(comparison, units),
        *_section_blocks(comparison, units),
    ]
    if comparison.notes:
        blocks += [Heading("Notes"), *(Text(f"• {units.words(n)}") for n in comparison.notes)]
    blocks.append(Text(CAUTION, "caution foot"))
    return to_pdf(
        Document(title="Comparison of runs", subtitle="", blocks=blocks, footer=software())
    )


def _shown(value: Measured, units: ShownUnits) -> str:
    return pm(units.of(value), unit=True)


def _band(row: BandRow, units: ShownUnits) -> str:
    """``40-50``, in the unit of speed shown."""
    low, high = (
        v * units.factor("m/s") for v in (row.reference.low_m_s, row.reference.high_m_s)
    )
    return f"{low:.3g}-{high:.3g}"


def _share(difference: BandDifference) -> str:
    return f"{pm(difference.per_cent, unit=True)}: {_word(difference)}"


def _word(difference: BandDifference | SectionDifference) -> str:
    return "a difference" if difference.significant else "no difference that can be told"


def _band_blocks(comparison: Comparison, units: ShownUnits) -> list[Block]:
    rows = tuple(
        (
            f"{_band(row, units)} {row.rail}".rstrip(),
            _shown(row.reference.pull, units),
            d.run,
            _shown(d.pull, units),
            _shown(d.power, units),
            _share(d),
        )
        for row in comparison.bands
        for d in row.differences
    )
    blocks: list[Block] = [Heading("By speed band")]
    if not rows:
        return [*blocks, Text("No band is shared.")]
    heads = (
        f"band, {units.label('m/s')}",
        "first run, pull",
        "run",
        "pull less first",
        "power less first",
        "share",
    )
    caption = "Equivalent drawbar pull, ± 95 % of the difference from the first run."
    curves = _curves(comparison.runs[0].loaded.name, comparison.bands, units)
    chart = Chart("comparison", comparison_chart(curves, units), caption)
    return [
        *blocks,
        chart,
        TextTable(heads, rows, "Each run less the first one, by speed band and rail, ± 95 %."),
    ]


def _curves(
    reference: str, bands: tuple[BandRow, ...], units: ShownUnits
) -> dict[str, list[tuple[float, float, float]]]:
    """By run, in units shown: middle of the band, pull, expanded uncertainty of the difference."""
    force, per = units.factor("kN"), units.factor("m/s")
    curves: dict[str, list[tuple[float, float, float]]] = {reference: []}
    for row in bands:
        base = row.reference.pull.value
        if not math.isfinite(base):
            continue
        v = (row.reference.low_m_s + row.reference.high_m_s) / 2 * per
        curves[reference].append((v, base * force, 0.0))
        for d in row.differences:
            if math.isfinite(d.pull.value):
                spread = d.pull.expanded if math.isfinite(d.pull.expanded) else 0.0
                curves.setdefault(d.run, []).append(
                    (v, (base + d.pull.value) * force, spread * force)
                )
    return curves


def _section_blocks(comparison: Comparison, units: ShownUnits) -> list[Block]:
    rows = tuple(
        (
            row.section,
            d.run,
            _shown(d.figures.pull, units),
            _shown(d.figures.equivalent_pull, units),
            _shown(d.figures.speed, units),
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
