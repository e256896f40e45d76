"""The chart roll: the continuous trace at a true scale, as the paper it replaces.

So many millimetres a minute or a kilometre, exact on the page. Pens with scales, least to
greatest in each column, gaps left open, marks and mileposts written along the roll, profile and
curves below. Drawn as SVG in millimetres, one sheet a page, laid on pages of their own by
typst.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.series.series import GradeSource
from recorder.report.pages.rendering import compile_typst
from recorder.report.pages.shown_units import METRIC, ShownUnits
from recorder.report.roll.roll_labels import (
    BETWEEN_MM,
    COLUMNS_PER_MM,
    HEIGHT_MM,
    LEFT_MM,
    LONGEST_MM,
    MOST_SHEETS,
    RIGHT_MM,
    TITLE_MM,
    TOP_MM,
    WIDTH_MM,
    RollScale,
    marks,
    posts,
    text,
    ticks,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.campaign.loaded_run import LoadedRun

__all__ = ["Roll", "RollScale", "chart_roll", "roll_sheets"]

PAD: Final = 0.05
"""Share of a pen's range that is left free at its ends."""
ZERO_MM: Final = 0.2
PEN_MM: Final = 0.3
"""A trace that lies on the line of 0 is seen on it."""


@dataclass(frozen=True, slots=True)
class _Pen:
    name: str
    unit: str
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    height_mm: float

    @classmethod
    def of(
        cls,
        name: str,
        unit: str,
        ends: tuple[NDArray[np.float64], NDArray[np.float64]],
        height_mm: float,
        units: ShownUnits,
    ) -> _Pen:
        """A pen in the units shown."""
        low, high = (end * units.factor(unit) for end in ends)
        return cls(name, units.label(unit), low, high, height_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Roll:
    """A laid-out roll: one SVG a sheet, all of one size."""

    sheets: tuple[bytes, ...]
    width_mm: float
    height_mm: float


def chart_roll(
    runs: Sequence[LoadedRun],
    scale: RollScale,
    *,
    long: bool = False,
    units: ShownUnits = METRIC,
) -> bytes:
    """The roll of one or more runs as PDF; ``long`` makes one sheet a run, up to five metres."""
    files: dict[str, bytes] = {}
    pages = []
    for number, run in enumerate(runs):
        roll = roll_sheets(run, scale, long=long, units=units)
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
    run: LoadedRun, scale: RollScale, *, long: bool = False, units: ShownUnits = METRIC
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
        usable = min(max(total, 100.0), LONGEST_MM)
    count = max(1, math.ceil(total / usable - 1e-9))
    if count > MOST_SHEETS:
        msg = f"a roll of {total / 1000:.0f} m wants {count} sheets; choose a smaller scale"
        raise ValueError(msg)
    width = LEFT_MM + usable + RIGHT_MM
    pens = _pens(run, units)
    sheets = tuple(
        _sheet(
            run, scale, pens, x_mm, (i * usable, (i + 1) * usable), width, f"{i + 1} of {count}"
        )
        for i in range(count)
    )
    return Roll(sheets=sheets, width_mm=width, height_mm=HEIGHT_MM)


def _paper_mm(run: LoadedRun, scale: RollScale) -> NDArray[np.float64]:
    """Place of each bin's end along the paper, never falling."""
    series = run.series
    if scale.mm_per_km is not None:
        moved = np.abs(np.nan_to_num(series.speed_m_s)) * series.step_s
        return np.asarray(np.cumsum(moved) / 1000.0 * scale.mm_per_km)
    rate = scale.mm_per_min or 0.0
    return np.asarray((series.t_s + series.step_s / 2) / 60.0 * rate)


def _pens(run: LoadedRun, units: ShownUnits) -> list[_Pen]:
    series = run.series
    speed = np.abs(series.speed_m_s)
    power = (series.pull_min_kN * series.speed_m_s, series.pull_max_kN * series.speed_m_s)
    ends = (np.fmin(*power), np.fmax(*power))
    pull = (series.pull_min_kN, series.pull_max_kN)
    pens = [
        _Pen.of("drawbar pull", "kN", pull, 80.0, units),
        _Pen.of("speed", "m/s", (speed, speed), 38.0, units),
        _Pen.of("drawbar power", "kW", ends, 38.0, units),
    ]
    if series.grade_source is not GradeSource.UNKNOWN:
        grade = series.trailing_grade * 100.0
        curve = series.trailing_curvature_per_m * 1000.0
        pens.append(_Pen("grade", "%", grade, grade, 16.0))
        # Curves that are not known are 0 as on straight track: a pen there would say straight.
        if np.nan_to_num(curve).any():
            pens.append(_Pen("curve 1/R", "1/km", curve, curve, 10.0))
    return pens


def _sheet(
    run: LoadedRun,
    scale: RollScale,
    pens: Sequence[_Pen],
    x_mm: NDArray[np.float64],
    span: tuple[float, float],
    width: float,
    number: str,
) -> bytes:
    start, stop = np.searchsorted(x_mm, span)
    stop = min(int(stop) + 1, len(x_mm))
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:.4f}mm" height="{HEIGHT_MM}mm"'
        f' viewBox="0 0 {width:.4f} {HEIGHT_MM}" font-family="New Computer Modern">',
        text(LEFT_MM, 8, f"{run.name}   ·   {scale.words}   ·   sheet {number}", 4),
    ]
    y = TOP_MM
    bottom = y + sum(p.height_mm + BETWEEN_MM for p in pens) - BETWEEN_MM + 1.0
    parts.append(marks(run, x_mm, span, bottom))
    for i, pen in enumerate(pens):
        parts.append(_pen(pen, x_mm, (int(start), stop), span, y, width))
        if i == 0:
            parts.append(_holes(pen, x_mm, (int(start), stop), span, (y, _why_empty(run))))
        y += pen.height_mm + BETWEEN_MM
    parts += [ticks(scale, x_mm, span, bottom), posts(run, x_mm, span, bottom + 8.5)]
    parts.append(
        text(LEFT_MM, HEIGHT_MM - 4, "No safety system: signals and local rules first.", 2.6)
    )
    parts.append("</svg>")
    return "".join(parts).encode()


def _pen(
    pen: _Pen,
    x_mm: NDArray[np.float64],
    rows: tuple[int, int],
    span: tuple[float, float],
    top: float,
    width: float,
) -> str:
    low, high = _range(pen)
    per_mm = pen.height_mm / (high - low)

    def y_of(value: float) -> float:
        return top + (high - value) * per_mm

    end = width - RIGHT_MM
    out = [
        f'<rect x="{LEFT_MM}" y="{top:.3f}" width="{end - LEFT_MM:.3f}"'
        f' height="{pen.height_mm}" fill="none" stroke="black" stroke-width="0.2"/>'
    ]
    for value in _steps(low, high, 6 if pen.height_mm > 60 else 3):
        y = y_of(value)
        out.append(_grid(value, y, end) if min(y - top, top + pen.height_mm - y) > 0.6 else "")
        out.append(text(LEFT_MM - 1, y + 0.9, f"{value:g}", 2.6, "end"))
    words = f"{pen.name}, {pen.unit}"
    out.append(
        f'<rect x="{LEFT_MM}" y="{top - TITLE_MM:.3f}" width="{1.6 * len(words):.2f}" height="3.8"'
        ' fill="white"/>'
    )
    out.append(text(LEFT_MM + 0.5, top - 1.0, words, 3.0))
    a, b = rows
    columns = _columns(x_mm[a:b], pen.low[a:b], pen.high[a:b], span[0])
    out += [_band(c, y_of) for c in columns]
    return "".join(out)


def _grid(value: float, y: float, end: float) -> str:
    width = ZERO_MM if abs(value) < 1e-12 else 0.08
    return (
        f'<line x1="{LEFT_MM}" x2="{end:.3f}" y1="{y:.3f}" y2="{y:.3f}" stroke="black"'
        f' stroke-width="{width}"/>'
    )


def _why_empty(run: LoadedRun) -> str:
    """What stands where no pull is drawn: it was never recorded, or it is counts."""
    held = [c for c in run.provenance.header.channels if c.quantity == "pull"]
    in_counts = held and not any(c.measures for c in held)
    return f"in {held[0].true_unit}: no certificate" if in_counts else "no data"


def _range(pen: _Pen) -> tuple[float, float]:
    if not (np.nan_to_num(pen.low).any() or np.nan_to_num(pen.high).any()):
        # Nothing, or 0 throughout: amid the row, not upon its frame.
        return -1.2, 1.2
    low = min(0.0, float(np.nanmin(pen.low)))
    high = max(0.0, float(np.nanmax(pen.high)))
    pad = PAD * (high - low)
    return (low - pad if low < 0.0 else 0.0), high + pad


def _steps(low: float, high: float, wanted: int) -> list[float]:
    raw = (high - low) / wanted
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(m * size for m in (1.0, 2.0, 5.0, 10.0) if m * size >= raw)
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _columns(
    x_mm: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    start_mm: float,
) -> list[tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]]:
    """Unbroken bands of (x, least, greatest), a quarter of a millimetre a column."""
    if not len(x_mm):
        return []
    cell = np.floor((x_mm - start_mm) * COLUMNS_PER_MM).astype(np.int64)
    first = np.flatnonzero(np.diff(cell, prepend=cell[0] - 1))
    # A bin without data inside a column opens the column: no gap is drawn over.
    hole = np.logical_or.reduceat(~np.isfinite(low), first)
    a = np.where(hole, np.nan, np.fmin.reduceat(low, first))
    b = np.where(hole, np.nan, np.fmax.reduceat(high, first))
    x = LEFT_MM + (x_mm[first] - start_mm)
    edges = np.flatnonzero(np.diff(np.isfinite(a).astype(np.int8), prepend=0, append=0))
    return [(x[i:j], a[i:j], b[i:j]) for i, j in zip(edges[::2], edges[1::2], strict=True)]


def _band(
    columns: tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]],
    y_of: Callable[[float], float],
) -> str:
    x, low, high = columns
    upper = [f"{px:.3f} {y_of(v):.3f}" for px, v in zip(x, high, strict=True)]
    lower = [f"{px:.3f} {y_of(v):.3f}" for px, v in zip(x[::-1], low[::-1], strict=True)]
    path = "M" + "L".join(upper + lower) + "Z"
    return f'<path d="{path}" fill="black" stroke="black" stroke-width="{PEN_MM}"/>'


def _holes(
    pen: _Pen,
    x_mm: NDArray[np.float64],
    rows: tuple[int, int],
    span: tuple[float, float],
    told: tuple[float, str],
) -> str:
    """Words (below a top) over each hole wide enough to be written in."""
    (a, b), (top, words) = rows, told
    edges = np.flatnonzero(
        np.diff((~np.isfinite(pen.low[a:b])).astype(np.int8), prepend=0, append=0)
    )
    out = []
    for i, j in zip(edges[::2], edges[1::2], strict=True):
        left, right = (
            LEFT_MM + float(np.clip(x_mm[a + k], *span)) - span[0]
            for k in (max(int(i) - 1, 0), int(j) - 1)
        )
        if right - left >= 12.0:
            middle = (left + right) / 2
            out.append(text(middle, top + pen.height_mm / 2, words, 3.0, "middle"))
    return "".join(out)
