"""What stands along the line: one row of the route table, understood and in SI."""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from calibration.quantities.units import factor
from recorder.track.route.geometry import radius_from_degree
from recorder.track.route.rows import CellError, read_chainage, read_number

if TYPE_CHECKING:
    from recorder.track.route.rows import Cells, Problems, RouteTable

__all__ = ["KINDS", "Curve", "Feature", "read_features"]

KINDS: Final = (
    "milepost", "equation", "station", "signal", "grade", "elevation", "vertical_curve",
    "curve", "speed_limit", "tunnel", "bridge", "crossing", "switch", "point", "note",
)  # fmt: skip
"""Kinds a row may have."""

METRES: Final = {unit: factor(unit) for unit in ("m", "km", "ft", "mi")}
SPEEDS: Final = {unit: factor(unit) for unit in ("km/h", "kmh", "kph", "mph", "m/s")}
_PER_CENT: Final = ("%", "pct", "percent", "per cent")
_PER_MILLE: Final = ("‰", "permille", "per mille", "per_mille")
SLOPES: Final = {unit: factor(unit) for unit in (*_PER_CENT, *_PER_MILLE)}
SLOPES["ft/mi"] = factor("ft") / factor("mi")
SPIRALS: Final = {unit: factor(unit) for unit in ("m", "ft")}
CANTS: Final = {unit: factor(unit) for unit in ("mm", "in")}
STEEPEST: Final = 0.10
"""No adhesion railway climbs steeper: above this the figure is in another unit."""
SHARPEST_M: Final = 30.0
"""No coupled train goes round a sharper curve (from experience)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A curve with its spirals, from where it begins to where it ends."""

    s_m: float
    end_m: float
    radius_m: float
    hand: int
    """+1 to the right, −1 to the left, facing the way chainage increases; 0 not stated."""
    spiral_in_m: float = 0.0
    spiral_out_m: float = 0.0
    row: int = 0

    @property
    def curvature_per_m(self) -> float:
        """1/R of the circular part; + to the right (and where the hand is not stated)."""
        return (self.hand or 1) / self.radius_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """One row."""

    kind: str
    s_m: float
    """Chainage, metres."""
    end_m: float | None = None
    value: str = ""
    """As typed."""
    number: float | None = None
    """In SI: slope of a grade (rise over run), m of an elevation, m/s of a limit, number of a
    milepost, length of a vertical curve."""
    name: str = ""
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    curve: Curve | None = None
    equation: tuple[float, float] | None = None
    """Number before and number after, of an equation."""
    row: int = 0

    @property
    def label(self) -> str:
        """What to write beside it."""
        return self.name or self.value or self.kind


class _Reader:
    """Reads the rows of one table; every complaint goes to `problems`."""

    def __init__(self, table: RouteTable, problems: Problems) -> None:
        self.problems = problems
        starts = [c for c in table.columns if c.startswith("chainage_")]
        ends = [c for c in table.columns if c.startswith("end_chainage_")]
        if len(starts) != 1:
            got = ", ".join(starts) or "none"
            problems.error(
                0, f"needs one chainage column (chainage_m, _km, _ft or _mi), got {got}"
            )
        if len(ends) > 1:
            problems.error(0, f"has several end chainage columns: {', '.join(ends)}")
        problems.stop_if_any()
        self.start = starts[0]
        self.unit = starts[0].removeprefix("chainage_")
        self.end = ends[0] if ends else f"end_{starts[0]}"
        if self.end != f"end_{self.start}":
            problems.error(0, f"mixes units: columns {self.start} and {self.end}; use one unit")
        for stem in ("spiral_in", "spiral_out", "superelevation", "radius"):
            both = [c for c in table.columns if c.rsplit("_", 1)[0] == stem]
            if len(both) > 1:
                problems.error(0, f"mixes units: columns {both[0]} and {both[1]}; use one")
        problems.stop_if_any()
        self.columns = set(table.columns)

    def feature(self, cells: Cells) -> Feature | None:
        try:
            return self._feature(cells)
        except CellError as error:
            self.problems.error(cells.row, str(error))
            return None

    def _feature(self, cells: Cells) -> Feature:
        kind = re.sub(r"[\s\-]+", "_", cells["kind"].lower())
        if not cells[self.start]:
            msg = f"{self.start} is empty"
            raise CellError(msg)
        scale = METRES[self.unit]
        s = read_chainage(cells[self.start], self.unit) * scale
        end = read_chainage(cells[self.end], self.unit) * scale if cells[self.end] else None
        if end is not None and end < s:
            msg = (
                f"{kind} ends at {cells[self.end]} before it begins at {cells[self.start]};"
                " chainage must not run backwards"
            )
            raise CellError(msg)
        if kind not in KINDS:
            near = difflib.get_close_matches(kind, KINDS, 1)
            hint = f" (did you mean {near[0]}?)" if near else f"; kinds are {', '.join(KINDS)}"
            self.problems.warn(cells.row, f"kind {cells['kind']!r} is kept as a note{hint}")
            kind = "note"
        latitude, longitude = _coordinates(cells)
        number, equation, curve = None, None, None
        if kind == "equation":
            equation = _equation(cells["value"])
        elif kind == "curve":
            curve = self._curve(cells, s, end)
        else:
            number = self._number(kind, cells)
        return Feature(
            kind=kind, s_m=s, end_m=end, value=cells["value"], number=number,
            name=cells["name"] or (cells["value"] if kind in _NAMED else ""),
            latitude_deg=latitude, longitude_deg=longitude, curve=curve, equation=equation,
            row=cells.row,
        )  # fmt: skip

    def _number(self, kind: str, cells: Cells) -> float | None:
        text, unit = cells["value"], cells["unit"]
        if kind == "milepost":
            if not text:
                msg = "milepost has no value (the number on the post)"
                raise CellError(msg)
            match = re.search(r"[+-]?\d+(?:[.,]\d+)?", text)
            return read_number(match[0]) if match else None
        if kind == "grade":
            return _slope(text, unit)
        if kind == "elevation":
            return self._quantity(text, unit, METRES, "elevation", "m or ft", "m")
        if kind == "vertical_curve":
            if not text:
                return None
            return self._quantity(text, unit, METRES, "vertical_curve", "m or ft", self.unit)
        if kind == "speed_limit":
            limit = self._quantity(text, unit, SPEEDS, "speed_limit", "km/h or mph", "km/h")
            if not 0.0 < limit < 140.0:
                msg = f"speed_limit is {text} {unit}, must be above 0 and below 500 km/h"
                raise CellError(msg)
            return limit
        return None

    def _quantity(
        self, text: str, unit: str, units: dict[str, float], kind: str, allowed: str, bare: str
    ) -> float:
        number, stated = _split_unit(text, unit, kind)
        if not stated:
            if self.unit in {"ft", "mi"} and kind != "vertical_curve":
                msg = f"{kind} {text} has no unit; write {allowed} in column unit"
                raise CellError(msg)
            stated = bare
        if stated not in units:
            msg = f"{kind} has unit {stated!r}, allowed are {', '.join(units)}"
            raise CellError(msg)
        return number * units[stated]

    def _curve(self, cells: Cells, s: float, end: float | None) -> Curve:
        if end is None or end == s:
            msg = f"curve has no length; give {self.end}"
            raise CellError(msg)
        radius = self._radius(cells)
        if radius < SHARPEST_M:
            msg = f"curve has a radius of {radius:.1f} m, must be at least {SHARPEST_M:.0f} m"
            raise CellError(msg)
        side = cells["direction"].lower()
        hand = {"right": 1, "r": 1, "left": -1, "l": -1, "": 0}.get(side)
        if hand is None:
            msg = f"direction is {side!r}, must be left or right (facing increasing chainage)"
            raise CellError(msg)
        if hand == 0:
            self.problems.warn(cells.row, "curve has no direction (left or right); drawn right")
        before = self._small(cells, "spiral_in", SPIRALS)
        after = self._small(cells, "spiral_out", SPIRALS)
        if before + after > end - s + 1e-6:
            msg = f"spirals of {before:.1f} + {after:.1f} m do not fit {end - s:.1f} m of curve"
            raise CellError(msg)
        cant = self._small(cells, "superelevation", CANTS)
        if cant > 0.3:
            msg = f"superelevation is {cant * 1000:.0f} mm, must be at most 300 mm"
            raise CellError(msg)
        return Curve(
            s_m=s, end_m=end, radius_m=radius, hand=hand, spiral_in_m=before,
            spiral_out_m=after, row=cells.row,
        )  # fmt: skip

    def _radius(self, cells: Cells) -> float:
        definition = cells["definition"].lower() or "chord"
        if definition not in {"chord", "arc"}:
            msg = f"definition is {definition!r}, must be chord or arc"
            raise CellError(msg)
        found = [c for c in ("degree", "radius_m", "radius_ft", "value") if cells[c]]
        if len(found) != 1:
            got = " and ".join(found) or "none"
            msg = f"curve needs one of degree, radius_m, radius_ft, value with unit; got {got}"
            raise CellError(msg)
        if found[0] == "value":
            number, unit = _split_unit(cells["value"], cells["unit"], "curve")
        else:
            number = read_number(cells[found[0]])
            unit = found[0].removeprefix("radius_").replace("degree", "deg")
        if unit in {"deg", "°", "degree", "degrees"}:
            if not 0.0 < number <= 180.0:
                msg = f"degree of curve is {number:g}, must be above 0 and no more than 180"
                raise CellError(msg)
            return float(radius_from_degree(number, "arc" if definition == "arc" else "chord"))
        if unit not in {"m", "ft"} or not number > 0:
            msg = f"curve is {number:g} {unit!r}; give degrees (deg) or a radius (m, ft)"
            raise CellError(msg)
        return number * METRES[unit]

    def _small(self, cells: Cells, stem: str, units: dict[str, float]) -> float:
        for unit, scale in units.items():
            if text := cells[f"{stem}_{unit}"]:
                number = read_number(text)
                if number < 0:
                    msg = f"{stem}_{unit} is {text}, must not be negative"
                    raise CellError(msg)
                return number * scale
        return 0.0


_NAMED: Final = frozenset(
    {"station", "signal", "tunnel", "bridge", "crossing", "switch", "note"}
)


def _split_unit(text: str, unit: str, kind: str) -> tuple[float, str]:
    """Number and unit, the unit taken from the cell itself or from column unit."""
    match = re.fullmatch(r"([+\-\u2212]?[\d.,]+)\s*([^\d\s].*)?", text)
    if match is None:
        msg = f"{kind} has value {text!r}, a number is needed" + (
            " (with its unit)" if text else ""
        )
        raise CellError(msg)
    own = (match[2] or "").strip().lower()
    column = unit.lower()
    if own and column and own != column:
        msg = f"{kind} has value {text!r} but unit {unit!r}"
        raise CellError(msg)
    return read_number(match[1]), own or column


def _slope(text: str, unit: str) -> float:
    lowered = text.lower().replace("\u2212", "-")
    if lowered == "level":
        return 0.0
    one_in = re.fullmatch(r"([+-]?)1\s*(?:in|:)\s*([+-]?[\d.,]+)", lowered)
    if one_in:
        run = read_number(one_in[2])
        if run == 0:
            msg = f"grade {text!r} has no run; write 1 in N, N above 0"
            raise CellError(msg)
        slope = (-1.0 if one_in[1] == "-" else 1.0) / run
    else:
        number, stated = _split_unit(text, unit, "grade")
        if (stated or "%") not in SLOPES:
            msg = f"grade has unit {stated!r}, allowed are {', '.join(SLOPES)} or 1 in N"
            raise CellError(msg)
        slope = number * SLOPES[stated or "%"]
    if abs(slope) > STEEPEST:
        msg = (
            f"grade {text} {unit} is {slope * 100:.1f} %, impossible for adhesion"
            f" (at most {STEEPEST * 100:.0f} %); is it per mille, or ft/mi?"
        )
        raise CellError(msg)
    return slope


def _equation(text: str) -> tuple[float, float]:
    before, equals, after = text.partition("=")
    if not equals:
        msg = f"equation has value {text!r}; write BEFORE = AFTER, as 52.40 = 53.00"
        raise CellError(msg)
    return read_number(before.strip()), read_number(after.strip())


def _coordinates(cells: Cells) -> tuple[float | None, float | None]:
    texts = cells["latitude_deg"], cells["longitude_deg"]
    if not any(texts):
        return None, None
    if not all(texts):
        msg = "has one of latitude_deg and longitude_deg, not both"
        raise CellError(msg)
    latitude, longitude = (read_number(t) for t in texts)
    if not (abs(latitude) <= 90.0 and abs(longitude) <= 180.0 and math.isfinite(longitude)):
        msg = f"coordinates {texts[0]}, {texts[1]} are no place on earth"
        raise CellError(msg)
    return latitude, longitude


def read_features(table: RouteTable, problems: Problems) -> list[Feature]:
    """All rows as features, by chainage; complaints go to `problems`.

    Raises
    ------
    RouteError
        The columns cannot be understood.
    """
    reader = _Reader(table, problems)
    found = [f for f in map(reader.feature, table.rows) if f is not None]
    last: dict[str, Feature] = {}
    for f in found:
        before = last.get(f.kind)
        if before is not None and f.s_m < before.s_m:
            problems.warn(
                f.row,
                f"{f.kind} at {f.s_m:.1f} m stands after row {before.row} at"
                f" {before.s_m:.1f} m: chainage runs backwards; put in order",
            )
        last[f.kind] = f
    return sorted(found, key=lambda f: (f.s_m, f.row))
