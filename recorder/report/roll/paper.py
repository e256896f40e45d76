"""The paper of a chart roll: its measures, its scale, one sheet of it, and how words lie on it."""

from __future__ import annotations

import html
import re
from dataclasses import dataclass
from functools import lru_cache
from itertools import accumulate, takewhile
from typing import TYPE_CHECKING, Final

import numpy as np
from matplotlib.ft2font import FT2Font, LoadFlags

from calibration.quantities.units import exact_ratio
from recorder.report.pages.printable import without_controls
from recorder.report.pages.shown_units import METRIC, ShownUnits
from recorder.report.pages.typeface import FOLDER

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.campaign.loaded_run import LoadedRun

__all__ = ["RollScale", "Sheet", "hatched", "line", "per_length", "text", "wide", "wrapped"]

WIDTH_MM: Final = 420.0
HEIGHT_MM: Final = 297.0
LEFT_MM: Final = 18.0
RIGHT_MM: Final = 8.0
HEAD_MM: Final = 37.0
"""Of the first sheet of a run; all others have one line."""
LINE_MM: Final = 11.0
TOP_MM: Final = 80.0
"""Of the first pen; marks are written between the head and it."""
BETWEEN_MM: Final = 5.0
TITLE_MM: Final = 4.0
"""Above a pen, for its name."""
LONGEST_MM: Final = 5_000.0
SHORTEST_MM: Final = 30.0
"""Frame of a run that is shorter."""
MOST_SHEETS: Final = 2_000
_FACE_PX: Final = 100.0
_BEFORE_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|°|[A-Za-z]{1,3}\b))")


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
    def mm_per_m(self) -> float | None:
        """Of paper a metre run; ``None`` of a roll by time."""
        return None if self.mm_per_km is None else self.mm_per_km / 1000.0

    def words(self, units: ShownUnits = METRIC) -> str:
        """As printed on the roll: ``20 mm = 1 min``, ``0.787 in = 1 min``."""
        length, name = per_length(units)
        if self.mm_per_km is None:
            return f"{(self.mm_per_min or 0.0) / length:.3g} {name} = 1 min"
        return (
            f"{self.mm_per_km / units.factor('km') / length:.3g} {name} = 1 {units.label('km')}"
        )


def per_length(units: ShownUnits) -> tuple[float, str]:
    """The length scales are stated by, in mm, and its name: a millimetre or an inch."""
    if units.name == METRIC.name:
        return 1.0, "mm"
    return float(exact_ratio("in", "m")) * 1000.0, "in"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One sheet of a run's roll."""

    run: LoadedRun
    scale: RollScale
    units: ShownUnits
    x_mm: NDArray[np.float64]
    """Place of each bin's end along the paper, never falling."""
    start_mm: float
    stop_mm: float
    index: int
    count: int

    @property
    def width_mm(self) -> float:
        """Of the page."""
        return LEFT_MM + self.stop_mm - self.start_mm + RIGHT_MM

    @property
    def total_mm(self) -> float:
        """Paper of the whole run."""
        return float(self.x_mm[-1]) if len(self.x_mm) else 0.0

    @property
    def end_mm(self) -> float:
        """Right end of what is drawn on the page: where the run or the sheet ends."""
        drawn = min(self.stop_mm, max(self.total_mm, self.start_mm + SHORTEST_MM))
        return LEFT_MM + drawn - self.start_mm

    @property
    def rows(self) -> slice:
        """Bins that lie on this sheet."""
        start, stop = np.searchsorted(self.x_mm, (self.start_mm, self.stop_mm))
        return slice(int(start), min(int(stop) + 1, len(self.x_mm)))

    def holds(self, x_mm: float) -> bool:
        """Whether a place along the paper is on this sheet; the end of the run is on the last."""
        last = self.index == self.count - 1 and x_mm >= self.stop_mm
        return self.start_mm <= x_mm < self.stop_mm or last

    def page(self, x_mm: float) -> float:
        """A place along the paper, cut to this sheet, in mm of the page."""
        return LEFT_MM + min(max(x_mm, self.start_mm), self.stop_mm) - self.start_mm

    def at(self, t_s: float) -> float:
        """Place along the paper of an instant of the run."""
        series = self.run.series
        if not len(self.x_mm):
            return 0.0
        ends = series.t_s + series.step_s / 2
        begin = float(series.t_s[0]) - series.step_s / 2
        first = 0.0 if self.scale.mm_per_km is not None else max(begin, 0.0) * self._mm_per_s
        return float(np.interp(t_s, np.append(begin, ends), np.append(first, self.x_mm)))

    @property
    def _mm_per_s(self) -> float:
        return (self.scale.mm_per_min or 0.0) / 60.0


def text(x: float, y: float, words: str, size: float, anchor: str = "start") -> str:
    """One line of words."""
    return (
        f'<text x="{x:.3f}" y="{y:.3f}" font-size="{size}" text-anchor="{anchor}">'
        f"{html.escape(without_controls(words))}</text>"
    )


def line(ends: tuple[float, float, float, float], width: float, kind: str = "") -> str:
    """From (x, y) to (x, y)."""
    x1, y1, x2, y2 = ends
    named = f' class="{kind}"' if kind else ""
    return (
        f'<line{named} x1="{x1:.4f}" x2="{x2:.4f}" y1="{y1:.3f}" y2="{y2:.3f}" stroke="black"'
        f' stroke-width="{width}"/>'
    )


def wide(words: str, size: float) -> float:
    """Width of a line of words in mm."""
    return size * sum(_advance(letter) for letter in words)


@lru_cache(maxsize=4096)
def _advance(letter: str) -> float:
    """Share of its size by which a letter moves on; a whole one where the face lacks it, and
    another face draws it, or a box."""
    if _face().get_char_index(ord(letter)) == 0:
        return 1.0
    glyph = _face().load_char(ord(letter), LoadFlags.NO_HINTING)
    return float(glyph.linearHoriAdvance) / 65536.0 / _FACE_PX


@lru_cache(maxsize=1)
def _face() -> FT2Font:
    face = FT2Font(str(FOLDER / "GentiumBookPlus-Regular.ttf"))
    face.set_size(_FACE_PX, 72.0)
    return face


def wrapped(words: str, room_mm: float, size: float, most: int) -> list[str]:
    """Words in ``most`` lines at most, a number never parted from its unit; what has no room is
    cut with an ellipsis."""
    held = _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", words)
    lines: list[str] = []
    for word in held.split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and wide(longer, size) <= room_mm:
            lines[-1] = longer
        else:
            lines.append(word)
    if len(lines) > most:
        lines = [*lines[: most - 1], f"{lines[most - 1]} …"]
    return [_cut(text, room_mm, size) for text in lines]


def _cut(words: str, room_mm: float, size: float) -> str:
    """A line that is still too wide loses letters to an ellipsis."""
    if wide(words, size) <= room_mm:
        return words
    kept = words.removesuffix(" …")
    room = room_mm - wide("…", size)
    # Once through: a remark may have a hundred thousand letters.
    ends = accumulate(size * _advance(letter) for letter in kept)
    fit = sum(1 for _ in takewhile(lambda end: end <= room, ends))
    return f"{kept[:fit].rstrip()}…"


def hatched(box: tuple[float, float, float, float], pitch: float, kind: str) -> str:
    """A box (x, y, width, height) hatched from lower left to upper right."""
    x, y, w, h = box
    parts = []
    foot = x - h + pitch / 2
    while foot < x + w:
        a, b = max(foot, x), min(foot + h, x + w)
        parts.append(f"M{a:.2f} {y + h - (a - foot):.2f}L{b:.2f} {y + h - (b - foot):.2f}")
        foot += pitch
    return (
        f'<rect class="{kind}" x="{x:.3f}" y="{y:.3f}" width="{w:.3f}" height="{h:.3f}"'
        ' fill="white" stroke="black" stroke-width="0.12"/>'
        f'<path d="{"".join(parts)}" fill="none" stroke="black" stroke-width="0.1"/>'
    )
