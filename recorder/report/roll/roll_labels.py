"""What is written along a chart roll: ticks, marks, mileposts and stations."""

from __future__ import annotations

import html
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.campaign.loaded_run import LoadedRun

__all__ = ["RollScale", "marks", "posts", "text", "ticks"]

WIDTH_MM: Final = 420.0
HEIGHT_MM: Final = 297.0
LEFT_MM: Final = 18.0
RIGHT_MM: Final = 8.0
TOP_MM: Final = 62.0
BETWEEN_MM: Final = 5.0
TITLE_MM: Final = 4.0
"""Above a pen, for its name."""
LONGEST_MM: Final = 5_000.0
COLUMNS_PER_MM: Final = 4.0
MOST_SHEETS: Final = 2_000
MOST_LETTERS: Final = 30


@dataclass(frozen=True, slots=True, kw_only=True)
class RollScale:
    """Millimetres of paper a minute, or a kilometre of distance run."""

    mm_per_min: float | None = 20.0
    mm_per_km: float | None = None

    def __post_init__(self) -> None:
        given = [v for v in (self.mm_per_min, self.mm_per_km) if v is not None]
        if len(given) != 1 or not 0.1 <= given[0] <= 10_000.0:
            msg = f"the roll wants one scale from 0.1 to 10000 mm a minute or km, got {given}"
            raise ValueError(msg)

    @property
    def words(self) -> str:
        """As printed on the roll."""
        if self.mm_per_km is not None:
            return f"{self.mm_per_km:g} mm = 1 km"
        return f"{self.mm_per_min:g} mm = 1 min"


def posts(
    run: LoadedRun, x_mm: NDArray[np.float64], span: tuple[float, float], y: float
) -> str:
    """Mileposts and stations of the route where the placed run passed them."""
    if run.route is None or not np.isfinite(run.series.chainage_m).any():
        return ""
    at = [(p.s_m, f"{p.label}", "post") for p in run.route.mileposts]
    at += [(f.s_m, f.label, "station") for f in run.route.all_features if f.kind == "station"]
    out = [text(LEFT_MM - 1, y + 4.6, "posts", 2.6, "end")]
    free = -math.inf
    for x, words, kind in sorted(_passed(run, x_mm, at)):
        if not span[0] <= x < span[1]:
            continue
        place = LEFT_MM + x - span[0]
        out.append(
            f'<line class="{kind}" x1="{place:.4f}" x2="{place:.4f}" y1="{y:.3f}"'
            f' y2="{y + 2.0:.3f}" stroke="black" stroke-width="0.3"/>'
        )
        wide = 1.6 * len(words) + 1.0
        low = 9.0 if kind == "station" else 4.8
        if kind == "station" or place - wide / 2 > free:
            out.append(text(place, y + low, words[:30], 2.8, "middle"))
            free = place + wide / 2 if kind == "post" else free
    return "".join(out)


def _passed(
    run: LoadedRun, x_mm: NDArray[np.float64], at: Sequence[tuple[float, str, str]]
) -> list[tuple[float, str, str]]:
    """Where along the paper each place was passed; twice when passed twice."""
    s = run.series.chainage_m
    found = []
    for place, words, kind in at:
        beyond = np.where(np.isfinite(s), (s >= place).astype(np.int8), -1)
        both = (beyond[1:] >= 0) & (beyond[:-1] >= 0)
        for i in np.flatnonzero(both & (beyond[1:] != beyond[:-1])):
            share = float((place - s[i]) / (s[i + 1] - s[i]))
            # Paper is counted to the end of each bin, chainage at its middle.
            x = float(x_mm[i] + share * (x_mm[i + 1] - x_mm[i]))
            x -= 0.5 * float(x_mm[i + 1] - x_mm[i])
            found.append((x, words, kind))
    return found


def ticks(
    scale: RollScale,
    x_mm: NDArray[np.float64],
    span: tuple[float, float],
    y: float,
) -> str:
    """A tick and number each whole minute (or kilometre) along the lower edge."""
    per = scale.mm_per_km or scale.mm_per_min or 1.0
    unit = "km" if scale.mm_per_km is not None else "min"
    every = next((k for k in (1, 2, 5, 10, 20, 50, 100) if k * per >= 15.0), 100)
    end = min(span[1], float(x_mm[-1]) if len(x_mm) else 0.0)
    out = []
    for k in range(math.ceil(span[0] / per - 1e-9), math.floor(end / per + 1e-9) + 1):
        if k % every:
            continue
        x = LEFT_MM + k * per - span[0]
        out.append(
            f'<line class="tick" x1="{x:.4f}" x2="{x:.4f}" y1="{y:.3f}" y2="{y + 3:.3f}"'
            ' stroke="black" stroke-width="0.25"/>'
        )
        out.append(text(x, y + 6.5, f"{k} {unit}", 2.8, "middle"))
    return "".join(out)


def marks(
    run: LoadedRun, x_mm: NDArray[np.float64], span: tuple[float, float], bottom: float
) -> str:
    """Marks as lines across the pens with their words upright at the head, never overprinted:
    neither by one another nor by the name of the first pen."""
    out = []
    free = -math.inf
    foot = TOP_MM - TITLE_MM - 0.5
    for mark in run.marks:
        k = int(np.searchsorted(run.series.t_s, mark.t_s))
        if not len(x_mm) or k >= len(x_mm) or not span[0] <= x_mm[k] < span[1]:
            continue
        x = LEFT_MM + float(x_mm[k]) - span[0]
        label_x = max(x, free)
        free = label_x + 3.2
        words = html.escape(_short(" ".join((mark.kind, mark.value)).strip()))
        out.append(
            f'<line x1="{x:.3f}" x2="{x:.3f}" y1="{foot}" y2="{bottom:.3f}" stroke="black"'
            ' stroke-width="0.12" stroke-dasharray="1.2 0.8"/>'
            f'<line x1="{label_x:.3f}" x2="{x:.3f}" y1="{foot - 3}" y2="{foot}"'
            ' stroke="black" stroke-width="0.12"/>'
            f'<text transform="translate({label_x + 1:.3f} {foot - 3.5}) rotate(-90)"'
            f' font-size="2.8">{words}</text>'
        )
    return "".join(out)


def _short(words: str) -> str:
    return words if len(words) <= MOST_LETTERS else words[: MOST_LETTERS - 1] + "…"


def text(x: float, y: float, words: str, size: float, anchor: str = "start") -> str:
    return (
        f'<text x="{x:.3f}" y="{y:.3f}" font-size="{size}" text-anchor="{anchor}">'
        f"{html.escape(words)}</text>"
    )
