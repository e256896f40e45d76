"""Along the lower edge of a chart roll: stretches, time or distance, posts, stations."""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.report.roll.paper import (
    HEIGHT_MM,
    LEFT_MM,
    RIGHT_MM,
    WIDTH_MM,
    Sheet,
    hatched,
    line,
    text,
    wide,
    wrapped,
)

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.analysis.stretches.stretch_results import StretchResult

__all__ = ["posts", "stretches", "ticks"]


class Lineside(StrEnum):
    """What stands beside the line and is written on the roll."""

    POST = "post"
    STATION = "station"


STRETCH_MM: Final = 4.6
_SIZE: Final = 2.6
_LEGEND: Final = 2.2
_ALPHABET: Final = "abcdefghijklmnopqrstuvwxyz"


def stretches(sheet: Sheet, results: Sequence[StretchResult], y: float) -> str:
    """Each stretch for what it is: judged in black, refused hatched with the reason."""
    asked = [r for r in results if r.admission.criteria]
    if not asked:
        return ""
    out = [text(LEFT_MM - 1, y + 3.2, "test sections", _SIZE, "end")]
    letters = _letters(sheet, asked)
    told: dict[str, str] = {}
    for result in asked:
        a, b = (sheet.at(t) for t in (result.stretch.t_start_s, result.stretch.t_end_s))
        if b <= sheet.start_mm or a >= sheet.stop_mm:
            continue
        left, right = sheet.page(a), sheet.page(b)
        reasons = {} if result.judged else {letters[r]: r for r in _reasons(sheet, result)}
        told.update(reasons)
        out.append(
            _judged(left, right, y) if result.judged else _refused(left, right, y, reasons)
        )
    return "".join(out) + _legend(sheet, told)


def _reasons(sheet: Sheet, result: StretchResult) -> list[str]:
    told = [sheet.units.words(r) for r in result.admission.reasons]
    return told or ["not judged"]


def _letters(sheet: Sheet, results: Sequence[StretchResult]) -> dict[str, str]:
    """A letter a reason, the same on all sheets of the run: a, b, … z, aa, ab …"""
    found = dict.fromkeys(r for k in results if not k.judged for r in _reasons(sheet, k))
    return {
        reason: (_ALPHABET[i // 26 - 1] if i >= 26 else "") + _ALPHABET[i % 26]
        for i, reason in enumerate(found)
    }


def _legend(sheet: Sheet, told: dict[str, str]) -> str:
    """What the letters of this sheet mean, above its foot; where there is no room, that is said
    by the ellipsis."""
    if not told:
        return ""
    words = "refused: " + "; ".join(f"{k}: {told[k]}" for k in sorted(told, key=_order))
    room = min(sheet.width_mm, WIDTH_MM) - RIGHT_MM - LEFT_MM
    lines = wrapped(words, room, _LEGEND, 3)
    first = HEIGHT_MM - 5.6 - 2.6 * (len(lines) - 1)
    return "".join(text(LEFT_MM, first + 2.6 * i, w, _LEGEND) for i, w in enumerate(lines))


def _order(letters: str) -> tuple[int, str]:
    return len(letters), letters


def _judged(left: float, right: float, y: float) -> str:
    bar = (
        f'<rect class="judged" x="{left:.3f}" y="{y:.3f}" width="{max(right - left, 0.1):.3f}"'
        f' height="{STRETCH_MM}" fill="black" stroke="white" stroke-width="0.3"/>'
    )
    words = _fitting(["judged"], right - left)
    drawn = text((left + right) / 2, y + 3.2, words, _SIZE, "middle")
    return bar + drawn.replace("<text", '<text fill="white"')


def _refused(left: float, right: float, y: float, reasons: dict[str, str]) -> str:
    drawn = hatched((left, y, max(right - left, 0.1), STRETCH_MM), 1.6, "refused")
    letters = ", ".join(sorted(reasons, key=_order))
    words = _fitting([f"refused {letters}", letters], right - left)
    if not words:
        return drawn
    room = wide(words, _SIZE) + 1
    middle = (left + right) / 2
    return drawn + (
        f'<rect x="{middle - room / 2:.3f}" y="{y + 0.5:.3f}" width="{room:.3f}"'
        f' height="{STRETCH_MM - 1}" fill="white"/>{text(middle, y + 3.2, words, _SIZE, "middle")}'
    )


def _fitting(offers: Sequence[str], room_mm: float) -> str:
    return next((words for words in offers if wide(words, _SIZE) + 1.5 < room_mm), "")


def ticks(sheet: Sheet, y: float) -> str:
    """A tick and number each whole minute, kilometre or mile."""
    scale, units = sheet.scale, sheet.units
    by_distance = scale.mm_per_km is not None
    per = scale.mm_per_min or (scale.mm_per_km or 1.0) / units.factor("km")
    unit = units.label("km") if by_distance else "min"
    every = next((k for k in (1, 2, 5, 10, 20, 50, 100) if k * per >= 15.0), 100)
    end = min(sheet.stop_mm, sheet.total_mm)
    out = []
    for k in range(math.ceil(sheet.start_mm / per - 1e-9), math.floor(end / per + 1e-9) + 1):
        if k % every:
            continue
        x = LEFT_MM + k * per - sheet.start_mm
        out.append(line((x, y, x, y + 2.4), 0.25, "tick"))
        out.append(text(x, y + 5.2, f"{k} {unit}", 2.8, "middle"))
    return "".join(out)


def posts(sheet: Sheet, y: float) -> str:
    """Mileposts and, below them, stations of the route where the placed run passed them."""
    found = [p for p in _passed(sheet.run, sheet.x_mm) if sheet.holds(p[0])]
    if not found:
        return ""
    out = [text(LEFT_MM - 1, y + 4.4, "mileposts", _SIZE, "end")]
    if any(kind is Lineside.STATION for _, _, kind in found):
        out.append(text(LEFT_MM - 1, y + 8.0, "stations", _SIZE, "end"))
    free = dict.fromkeys(Lineside, -math.inf)
    for x, words, kind in found:
        place = sheet.page(x)
        out.append(line((place, y, place, y + 2.0), 0.3, kind))
        half = wide(words, 2.8) / 2 + 0.6
        if place - half > free[kind]:
            low = 8.0 if kind is Lineside.STATION else 4.4
            out.append(text(place, y + low, words, 2.8, "middle"))
            free[kind] = place + half
    return "".join(out)


def _passed(run: LoadedRun, x_mm: np.ndarray) -> list[tuple[float, str, Lineside]]:
    """Where along the paper (mm) each post and station was passed, in order; twice when passed
    twice."""
    if run.route is None or not np.isfinite(run.series.chainage_m).any():
        return []
    at = [(p.s_m, p.label, Lineside.POST) for p in run.route.mileposts]
    at += [
        (f.s_m, f.label, Lineside.STATION)
        for f in run.route.all_features
        if f.kind == "station"
    ]
    s = run.series.chainage_m
    found = []
    for place, words, kind in at:
        beyond = np.where(np.isfinite(s), (s >= place).astype(np.int8), -1)
        both = (beyond[1:] >= 0) & (beyond[:-1] >= 0)
        for i in np.flatnonzero(both & (beyond[1:] != beyond[:-1])):
            share = float((place - s[i]) / (s[i + 1] - s[i]))
            # Paper is counted to the end of each bin, chainage at its middle.
            x = float(x_mm[i] + (share - 0.5) * (x_mm[i + 1] - x_mm[i]))
            found.append((x, words, kind))
    return sorted(found)
