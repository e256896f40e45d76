"""One run along its way: the chart, highest means, starts and stops."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from recorder.report.pages.document import (
    Block,
    Chart,
    Heading,
    RunPlace,
    TextTable,
    pm,
)
from recorder.report.pages.run_charts import along_chart
from recorder.report.particulars.days import day_of

if TYPE_CHECKING:
    from recorder.analysis.campaign.run_answer import RunAnswer
    from recorder.analysis.uncertainty.measured import Measured
    from recorder.report.pages.shown_units import ShownUnits
    from recorder.report.section_parts.naming import Naming

__all__ = ["run_section"]


def run_section(run: RunAnswer, naming: Naming) -> list[Block]:
    """All blocks of one run."""
    loaded = run.loaded
    called = naming.run(loaded.name)
    blocks: list[Block] = [Heading(f"{called[:1].upper()}{called[1:]}, {day_of(loaded)}")]
    if len(loaded.series):
        caption = (
            f"Along {called} ({loaded.provenance.path.name}): least to greatest in each column,"
            " tension +; gaps are left open."
        )
        chart = along_chart(loaded, naming.units)
        blocks.append(Chart(f"along-{loaded.run_id[:8]}", chart, caption))
    return [*blocks, *_peaks(run, naming)]


def _peaks(run: RunAnswer, naming: Naming) -> list[Block]:
    units = naming.units
    rows = [
        (
            p.t_start_s,
            p.name,
            _shown(p.value, units),
            _speed(p.speed_m_s, units),
        )
        for p in run.peaks
    ]
    for s in run.starts:
        rows += [
            (s.t_start_s, "start: breakaway pull", _shown(s.breakaway_pull, units), "0"),
            (s.t_start_s, "start: greatest pull", _shown(s.greatest_pull, units), "—"),
        ]
    for t in run.stops:
        distance = f"stop: distance (in {_shown(t.duration, units)})"
        rows += [
            (t.t_start_s, distance, _shown(t.distance, units), pm(units.of(t.speed))),
            (t.t_start_s, "stop: mean retardation", _shown(t.retardation, units), "—"),
        ]
    rows += [
        (t.t_start_s, "brake: no stop test, see the deviations", "—", "—")
        for t in run.lost_stops
    ]
    if not rows:
        return []
    heads = ("at, s", "figure", "value", f"speed, {units.label('m/s')}")
    caption = f"Highest means, starts and stops of {naming.run(run.loaded.name)}, ± 95 %."
    cells = tuple((f"{at:.0f}", *rest) for at, *rest in rows)
    places = tuple(RunPlace(run.loaded.run_id, at) for at, *_ in rows)
    return [TextTable(heads, cells, caption, places)]


def _shown(value: Measured | None, units: ShownUnits) -> str:
    if value is None or not math.isfinite(value.value):
        return "—"
    return pm(units.of(value), unit=True)


def _speed(speed_m_s: float, units: ShownUnits) -> str:
    return f"{speed_m_s * units.factor('m/s'):.1f}" if math.isfinite(speed_m_s) else "—"
