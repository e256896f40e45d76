"""The chart roll: the continuous trace at a true scale, as the paper it replaces.

So many millimetres a minute or a kilometre, exact on the page. Pens at round scales, least to
greatest in each column, gaps hatched with their cause, marks and mileposts written along the
roll, stretches shown as judged or refused. Drawn as SVG in millimetres, one sheet a page, laid on
pages of their own by typst.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.report.pages.rendering import compile_typst
from recorder.report.pages.shown_units import METRIC, ShownUnits
from recorder.report.pages.typeface import FAMILY
from recorder.report.pages.wording import CAUTION
from recorder.report.roll.edge import STRETCH_MM, posts, stretches, ticks
from recorder.report.roll.head import Head, first_head, head_of, later_head
from recorder.report.roll.mark_rail import draw_marks
from recorder.report.roll.paper import (
    BETWEEN_MM,
    HEAD_MM,
    HEIGHT_MM,
    LEFT_MM,
    LINE_MM,
    LONGEST_MM,
    MOST_SHEETS,
    RIGHT_MM,
    TOP_MM,
    WIDTH_MM,
    RollScale,
    Sheet,
    text,
)
from recorder.report.roll.pens import draw_pen, pens_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.analysis.stretches.stretch_results import StretchResult
    from recorder.report.roll.pens import Pen

__all__ = ["Roll", "RollScale", "chart_roll", "roll_sheets"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Roll:
    """A laid-out roll: one SVG a sheet, all of one size."""

    sheets: tuple[bytes, ...]
    width_mm: float
    height_mm: float


def chart_roll(
    runs: Sequence[tuple[LoadedRun, Sequence[StretchResult]]],
    scale: RollScale,
    *,
    long: bool = False,
    units: ShownUnits = METRIC,
) -> bytes:
    """The roll of one or more runs, each with its stretches, as PDF; ``long`` makes one sheet a
    run, up to five metres."""
    files: dict[str, bytes] = {}
    pages = []
    for number, (run, results) in enumerate(runs):
        roll = roll_sheets(run, scale, long=long, units=units, results=results)
        for i, sheet in enumerate(roll.sheets):
            name = f"r{number}-{i}.svg"
            files[name] = sheet
            pages.append(
                f"#page(width: {roll.width_mm:.4f}mm, height: {roll.height_mm:.4f}mm, margin: 0mm)"
                f'[#image("{name}", width: {roll.width_mm:.4f}mm, height: {roll.height_mm:.4f}mm)]'
            )
    files["main.typ"] = ("#set document(date: none)\n" + "\n".join(pages)).encode()
    return compile_typst(files)


def roll_sheets(
    run: LoadedRun,
    scale: RollScale,
    *,
    long: bool = False,
    units: ShownUnits = METRIC,
    results: Sequence[StretchResult] = (),
) -> Roll:
    """Lay one run out.

    Raises
    ------
    ValueError
        The scale would need more sheets than a roll has.
    """
    x_mm = _paper_mm(run, scale)
    total = float(x_mm[-1]) if len(x_mm) else 0.0
    usable = WIDTH_MM - LEFT_MM - RIGHT_MM
    if long:
        usable = min(max(total, usable), LONGEST_MM)
    count = max(1, math.ceil(total / usable - 1e-9))
    if count > MOST_SHEETS:
        msg = f"a roll of {total / 1000:.0f} m wants {count} sheets; choose a smaller scale"
        raise ValueError(msg)
    sheets = [
        Sheet(
            run=run,
            scale=scale,
            units=units,
            x_mm=x_mm,
            start_mm=i * usable,
            stop_mm=(i + 1) * usable,
            index=i,
            count=count,
        )
        for i in range(count)
    ]
    pens = pens_of(run, units)
    head = head_of(sheets[0], pens)
    return Roll(
        sheets=tuple(_drawn(sheet, pens, head, results) for sheet in sheets),
        width_mm=sheets[0].width_mm,
        height_mm=HEIGHT_MM,
    )


def _paper_mm(run: LoadedRun, scale: RollScale) -> NDArray[np.float64]:
    """Place of each bin's end along the paper, never falling."""
    series = run.series
    if scale.mm_per_m is not None:
        moved = np.abs(np.nan_to_num(series.speed_m_s)) * series.step_s
        return np.asarray(np.cumsum(moved) * scale.mm_per_m)
    rate = scale.mm_per_min or 0.0
    return np.asarray((series.t_s + series.step_s / 2) / 60.0 * rate)


def _drawn(
    sheet: Sheet, pens: Sequence[Pen], head: Head, results: Sequence[StretchResult]
) -> bytes:
    """One sheet as SVG."""
    width = sheet.width_mm
    drawn = [pen for pen in pens if pen.draws]
    bottom = TOP_MM + sum(p.height_mm + BETWEEN_MM for p in drawn)
    first = sheet.index == 0
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.4f}mm" height="{HEIGHT_MM}mm"'
        f' viewBox="0 0 {width:.4f} {HEIGHT_MM}" font-family="{FAMILY}">',
        first_head(head, sheet) if first else later_head(head, sheet),
        draw_marks(sheet, HEAD_MM + 2.0 if first else LINE_MM, bottom + STRETCH_MM),
    ]
    y = TOP_MM
    for pen in drawn:
        parts.append(draw_pen(pen, sheet, y))
        y += pen.height_mm + BETWEEN_MM
    parts += [
        stretches(sheet, results, y - 1.5),
        ticks(sheet, y + STRETCH_MM - 0.5),
        posts(sheet, y + STRETCH_MM + 5.4),
        text(LEFT_MM, HEIGHT_MM - 2.6, CAUTION, 2.4),
        "</svg>",
    ]
    return "".join(parts).encode()
