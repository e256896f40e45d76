"""The pens of a chart roll: each at a round scale, least to greatest a column, gaps as gaps."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.editions import Edition
from calibration.quantities.written import typeset
from recorder.analysis.series.series import GradeSource
from recorder.report.pages.shown_units import ShownUnits
from recorder.report.roll.paper import (
    LEFT_MM,
    TITLE_MM,
    Sheet,
    hatched,
    line,
    per_length,
    text,
    wide,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from recorder.analysis.campaign.loaded_run import LoadedRun

__all__ = ["Pen", "draw_pen", "pens_of"]

ZERO_MM: Final = 0.12
PEN_MM: Final = 0.3
"""A trace that lies on the line of 0 is seen on it."""
COLUMNS_PER_MM: Final = 4.0
_SIZE: Final = 2.8
_HIGH_MM: Final = 3.4
"""Of a line of words with its white."""
_HALF_CHORD_M: Final = 15.24
"""Fifty feet: a degree of curve is the angle over a chord of a hundred."""
_LEVEL: Final = 1.2
"""Reach of a pen that draws 0 throughout, amid its row and not upon its frame."""
_ROUND: Final = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


@dataclass(frozen=True, slots=True)
class Pen:
    """What one pen draws, in the units shown."""

    name: str
    unit: str
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    height_mm: float
    devices: frozenset[str] = frozenset()
    """Whose gaps are this pen's."""
    why_none: str = ""
    """Why it draws nothing, where more is known than that."""

    @property
    def draws(self) -> bool:
        """Whether there is anything to draw, and so a scale."""
        return bool(np.isfinite(self.low).any())

    @property
    def ends(self) -> tuple[float, float]:
        """Least and greatest, 0 among them."""
        if not (np.nan_to_num(self.low).any() or np.nan_to_num(self.high).any()):
            return -_LEVEL, _LEVEL
        return min(0.0, float(np.nanmin(self.low))), max(0.0, float(np.nanmax(self.high)))

    def per_mm(self, units: ShownUnits) -> float:
        """Units a millimetre: round by the millimetre, or by the inch."""
        low, high = self.ends
        length, _ = per_length(units)
        least = (high - low) / (0.96 * self.height_mm) * length
        size = 10.0 ** math.floor(math.log10(least))
        return next(k * size for k in _ROUND if k * size >= least * (1 - 1e-9)) / length

    def reach(self, units: ShownUnits) -> tuple[float, float]:
        """What lies at the foot and at the head of the row."""
        low, high = self.ends
        spare = self.height_mm * self.per_mm(units) - (high - low)
        below = 0.0 if low == 0.0 else spare / 2 if high > 0.0 else spare
        return low - below, high + spare - below

    def scale_words(self, units: ShownUnits) -> str:
        """``1 mm = 2.5 kN``."""
        length, name = per_length(units)
        return f"1 {name} = {typeset(f'{self.per_mm(units) * length:.6g}')} {self.unit}"


def pens_of(run: LoadedRun, units: ShownUnits) -> list[Pen]:
    """Pull, speed, power; grade and curve where a route or a table tells them."""
    series = run.series
    speed = np.abs(series.speed_m_s)
    power = (series.pull_min_kN * series.speed_m_s, series.pull_max_kN * series.speed_m_s)
    pull = [units.factor("kN") * p for p in (series.pull_min_kN, series.pull_max_kN)]
    cell, wheel = _devices(run, {"pull"}), _devices(run, {"speed", "distance"})
    counts = _why_no_pull(run)
    k = {u: units.factor(u) for u in ("m/s", "kW")}
    pens = [
        Pen("drawbar pull", units.label("kN"), pull[0], pull[1], 66.0, cell, counts),
        Pen("speed", units.label("m/s"), k["m/s"] * speed, k["m/s"] * speed, 34.0, wheel),
        Pen("drawbar power", units.label("kW"), k["kW"] * np.fmin(*power),
            k["kW"] * np.fmax(*power), 34.0, cell | wheel, counts),
    ]  # fmt: skip
    if series.grade_source is not GradeSource.UNKNOWN:
        grade = series.trailing_grade * 100.0
        pens.append(Pen("grade", "%", grade, grade, 14.0))
        curve = series.trailing_curvature_per_m
        # Curves that are not known are 0 as on straight track: a pen there would say straight.
        if np.nan_to_num(curve).any():
            pens.append(_curve(curve, units))
    return pens


def _curve(per_m: NDArray[np.float64], units: ShownUnits) -> Pen:
    if units.edition is Edition.METRIC:
        return Pen("curve 1/R", "1/km", 1000.0 * per_m, 1000.0 * per_m, 10.0)
    degrees = 2.0 * np.degrees(np.arcsin(np.clip(_HALF_CHORD_M * per_m, -1.0, 1.0)))
    return Pen("degree of curve", "°", degrees, degrees, 10.0)


def _devices(run: LoadedRun, quantities: set[str]) -> frozenset[str]:
    devices = run.provenance.header.devices
    return frozenset(d.name for d in devices for c in d.channels if c.quantity in quantities)


def _why_no_pull(run: LoadedRun) -> str:
    held = [c for c in run.provenance.header.channels if c.quantity == "pull"]
    in_counts = held and not any(c.measures for c in held)
    return f"in {held[0].true_unit}: no certificate" if in_counts else ""


def draw_pen(pen: Pen, sheet: Sheet, top: float) -> str:
    """Frame, scale, trace and gaps of one pen below ``top``."""
    low, high = pen.reach(sheet.units)
    per_mm = pen.height_mm / (high - low)

    def y_of(value: float) -> float:
        return top + (high - value) * per_mm

    end, foot = sheet.end_mm, top + pen.height_mm
    out = [
        f'<rect class="pen" x="{LEFT_MM}" y="{top:.3f}" width="{end - LEFT_MM:.3f}"'
        f' height="{pen.height_mm}" fill="none" stroke="black" stroke-width="0.2"/>'
    ]
    for value in _steps(low, high, 6 if pen.height_mm > 60 else 3):
        y = y_of(value)
        width = ZERO_MM if abs(value) < 1e-12 else 0.08
        out += [line((LEFT_MM, y, end, y), width)] * (min(y - top, foot - y) > 0.6)
        out.append(text(LEFT_MM - 1, y + 0.9, typeset(f"{value:g}"), 2.6, "end"))
    words = f"{pen.name}, {pen.unit}  ·  {pen.scale_words(sheet.units)}"
    out += [
        f'<rect x="{LEFT_MM}" y="{top - TITLE_MM:.3f}" width="{wide(words, 3.0) + 1:.2f}"'
        ' height="3.8" fill="white"/>',
        text(LEFT_MM + 0.5, top - 1.0, words, 3.0),
        *(_gap(pen, sheet, top, i, j) for i, j in _holes(pen, sheet)),
    ]
    out += [_band(c, y_of) for c in _columns(pen, sheet)]
    return "".join(out)


def _steps(low: float, high: float, wanted: int) -> list[float]:
    raw = (high - low) / wanted
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(m * size for m in (1.0, 2.0, 5.0, 10.0) if m * size >= raw)
    first = math.ceil(low / step - 1e-9)
    return [k * step for k in range(first, math.floor(high / step + 1e-9) + 1)]


def _columns(
    pen: Pen, sheet: Sheet
) -> list[tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]]:
    """Unbroken bands of (x, least, greatest), a quarter of a millimetre a column."""
    x_mm, low, high = (values[sheet.rows] for values in (sheet.x_mm, pen.low, pen.high))
    if not len(x_mm):
        return []
    cell = np.floor((x_mm - sheet.start_mm) * COLUMNS_PER_MM).astype(np.int64)
    first = np.flatnonzero(np.diff(cell, prepend=cell[0] - 1))
    # A bin without data inside a column opens the column: no gap is drawn over.
    hole = np.logical_or.reduceat(~np.isfinite(low), first)
    a = np.where(hole, np.nan, np.fmin.reduceat(low, first))
    b = np.where(hole, np.nan, np.fmax.reduceat(high, first))
    x = LEFT_MM + np.minimum(x_mm[first], sheet.stop_mm) - sheet.start_mm
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
    return (
        f'<path d="{path}" class="trace" fill="black" stroke="black" stroke-width="{PEN_MM}"/>'
    )


def _holes(pen: Pen, sheet: Sheet) -> list[tuple[int, int]]:
    """Bins from, and before, which the pen has nothing to draw."""
    start = sheet.rows.start
    missing = ~np.isfinite(pen.low[sheet.rows])
    edges = np.flatnonzero(np.diff(missing.astype(np.int8), prepend=0, append=0))
    return [
        (start + int(i), start + int(j)) for i, j in zip(edges[::2], edges[1::2], strict=True)
    ]


def _gap(pen: Pen, sheet: Sheet, top: float, first: int, stop: int) -> str:
    """The hole hatched over the row, with its cause where there is room for it."""
    x_mm = sheet.x_mm
    left = sheet.page(float(x_mm[first - 1]) if first else 0.0)
    right = sheet.page(float(x_mm[stop - 1]))
    if right - left < 0.05:
        return ""
    box = (left, top, right - left, pen.height_mm)
    return hatched(box, 2.5, "gap") + _told(_causes(pen, sheet, first, stop), box)


def _told(offers: Sequence[str], box: tuple[float, float, float, float]) -> str:
    """The fullest words that fit a box, along it or else upright, on white; none where none do."""
    x, y, w, h = box
    x, y = x + w / 2, y + h / 2
    for words in offers:
        room = wide(words, _SIZE) + 1.0
        for along, across, turn in (
            (w, h, ""),
            (h, w, f' transform="rotate(-90 {x:.3f} {y:.3f})"'),
        ):
            if room < along and across > _HIGH_MM:
                return (
                    f'<g{turn}><rect x="{x - room / 2:.3f}" y="{y - 2.4:.3f}" width="{room:.3f}"'
                    f' height="{_HIGH_MM}" fill="white"/>{text(x, y, words, _SIZE, "middle")}</g>'
                )
    return ""


def _causes(pen: Pen, sheet: Sheet, first: int, stop: int) -> Sequence[str]:
    """What may be written over a hole, the fullest first."""
    series = sheet.run.series
    t0, t1 = float(series.t_s[first]), float(series.t_s[stop - 1])
    causes = {
        f"{g.device}: {g.cause}": None
        for g in sheet.run.gaps
        if g.device in pen.devices and g.t_end_s >= t0 and g.t_start_s <= t1
    }
    if pen.why_none:
        return (pen.why_none, "no data")
    told = "; ".join(causes)
    return (f"no data ({told})", told, "no data") if causes else ("no data",)
