"""ISO 376: from relative errors at each force to classes, each over the range where it holds."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.figures.condition import Condition, obstacle
from calibration.figures.iso376 import (
    CLASSES,
    ERROR_NAMES,
    FORCE_UNCERTAINTY,
    LIMITS,
    MIN_SHARE,
    MIN_STEPS,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.figures.figure import Figure

__all__ = ["Judged", "class_ranges", "decide_class"]

_ROUNDING: Final = 1e-9
"""The last digits of a limit are decimal, of an error binary."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What the class of one sense of loading is judged from."""

    force_kN: NDArray[np.float64]
    """(levels,) magnitudes, rising."""
    errors_pct: Mapping[str, NDArray[np.float64]]
    """(levels,) each, by its key in ``LIMITS``; NaN where not known, which holds for none."""
    resolution_kN: float | None
    applied_U_pct: float | None
    """Expanded relative uncertainty of the applied force, k = 2, %."""
    capacity_kN: float
    sense: str
    """``tension`` or ``compression``."""
    case: str
    """Which of the standard's cases: ``incremental only`` or with ``decremental``."""


def class_ranges(judged: Judged) -> dict[str, dict[str, Any]]:
    """For each class the lowest force from which all holds up to the largest; what stops it."""
    result: dict[str, dict[str, Any]] = {}
    force = judged.force_kN
    for name in CLASSES:
        holds = _holds(judged, name)
        every = np.all(np.vstack(list(holds.values())), axis=0)
        bad = np.flatnonzero(~every)
        start = int(bad[-1]) + 1 if len(bad) else 0
        failed = sorted(ERROR_NAMES[key] for key, ok in holds.items() if not np.all(ok))
        usable = start < len(force) and force[start] <= 0.5 * force[-1] * (1.0 + _ROUNDING)
        result[name] = {
            "low_kN": float(force[start]) if usable else None,
            "high_kN": float(force[-1]) if usable else None,
            "whole_range": start == 0,
            "fails_by": failed,
        }
    return result


def _holds(judged: Judged, name: str) -> dict[str, NDArray[np.bool_]]:
    """For one class, which criteria hold at which level."""
    force = judged.force_kN
    holds = {
        key: np.abs(values) <= LIMITS[name][key] * (1.0 + _ROUNDING)
        for key, values in judged.errors_pct.items()
    }
    holds["low"] = force >= MIN_SHARE * judged.capacity_kN * (1.0 - _ROUNDING)
    if judged.resolution_kN is not None:
        holds["r"] = force >= MIN_STEPS[name] * judged.resolution_kN * (1.0 - _ROUNDING)
    if judged.applied_U_pct is not None:
        fine = judged.applied_U_pct <= FORCE_UNCERTAINTY[name] * (1.0 + _ROUNDING)
        holds["U"] = np.full(len(force), fine)
    return holds


def decide_class(figure: Figure, judged: Judged, conditions: list[Condition]) -> Figure:
    """The class that holds over the widest range, the best of several; none without conditions.

    Better classes over part of the range are in the words and in the detail.
    """
    ranges = class_ranges(judged)
    name = _widest(ranges)
    conditions = [*conditions, *_by_class(judged, ranges, name)]
    known = {key: v for key, v in judged.errors_pct.items() if not np.all(np.isnan(v))}
    detail: dict[str, Any] = {
        "conditions": [condition.to_document() for condition in conditions],
        "sense": judged.sense,
        "case": judged.case,
        "low_kN": None,
        "high_kN": None,
        "decided_by": [],
        "classes": ranges,
        "worst_pct": {key: float(np.nanmax(np.abs(v))) for key, v in known.items()},
    }
    why = obstacle(conditions)
    if why:
        return replace(figure, value=None, reason=why, detail=detail)
    if name is None:
        detail["decided_by"] = ranges["2"]["fails_by"]
        reason = f"no class holds down to half of the largest: {_listed(detail['decided_by'])}"
        return replace(figure, value="none", reason=reason, detail=detail)
    for key in ("low_kN", "high_kN"):
        detail[key] = ranges[name][key]
    detail["statement"] = _statement(judged, ranges, name)
    reason = detail["statement"]
    better = CLASSES[CLASSES.index(name) - 1] if name != "00" else None
    if better is not None:
        detail["decided_by"] = ranges[better]["fails_by"]
        reason += f"; decided by {_listed(detail['decided_by'])}"
    if not ranges[name]["whole_range"]:
        reason += f"; forces below {ranges[name]['low_kN']:g} kN are outside the class"
    return replace(figure, value=name, reason=reason, detail=detail)


def _widest(ranges: Mapping[str, Mapping[str, Any]]) -> str | None:
    """The class that reaches furthest down; the best where several do."""
    usable = [name for name in CLASSES if ranges[name]["low_kN"] is not None]
    return min(usable, key=lambda name: float(ranges[name]["low_kN"]), default=None)


def _statement(judged: Judged, ranges: Mapping[str, Mapping[str, Any]], name: str) -> str:
    """Class, sense, range and case in words; better classes with their own range."""
    low, high = ranges[name]["low_kN"], ranges[name]["high_kN"]
    words = f"class {name}, {judged.sense}, {low:g} to {high:g} kN, {judged.case}"
    for better in CLASSES[: CLASSES.index(name)]:
        if ranges[better]["low_kN"] is not None:
            words += f"; class {better} from {ranges[better]['low_kN']:g} kN"
    return words


def _needed(judged: Judged, low_kN: float | None) -> NDArray[np.bool_]:
    """(levels,) the forces of a class from its lowest; of none, those no class can do without."""
    force = judged.force_kN
    if low_kN is None:
        half = force[force <= 0.5 * force[-1] * (1.0 + _ROUNDING)]
        low_kN = float(half[-1]) if len(half) else float(force[0])
    return np.asarray(force >= low_kN)


def _by_class(
    judged: Judged, ranges: Mapping[str, Mapping[str, Any]], name: str | None
) -> list[Condition]:
    """Conditions whose limit the class sets, by the criteria of the class that is claimed."""
    of = name or CLASSES[-1]
    force, capacity = judged.force_kN, judged.capacity_kN
    needed = _needed(judged, ranges[of]["low_kN"])
    held = {key: bool(np.all(holds[needed])) for key, holds in _holds(judged, of).items()}
    inside = force[_holds(judged, of)["low"]]
    lowest = Condition.judged(
        "lowest force",
        f"{force[0]:g} kN"
        + (
            ""
            if len(inside) in (0, len(force))
            else f"; of the class at least {inside[0]:g} kN"
        ),
        f"at least {100.0 * MIN_SHARE:g} % of {capacity:g} kN",
        "ISO 376:2011, 7.3, from memory",
        held=held["low"],
    )
    clause = "ISO 376:2011, 7.2 and 7.3, from memory"
    steps = MIN_STEPS[of]
    r = judged.resolution_kN
    allowed = f"lowest force of class {of} at least {steps} of it"
    if r is None:
        resolution = Condition.unknown(
            "resolution", "not known", allowed, clause,
            "state the smallest step of the indication",
        )  # fmt: skip
    else:
        got = f"{r:.3g} kN; {steps} of it are {steps * r:.4g} kN"
        resolution = Condition.judged("resolution", got, allowed, clause, held=held["r"])
    return [lowest, resolution, _applied(judged, of, held=held.get("U", False))]


def _applied(judged: Judged, of: str, *, held: bool) -> Condition:
    U = FORCE_UNCERTAINTY[of]
    name_U, allowed_U = "uncertainty of the applied force", f"at most {U:g} % for class {of}"
    clause_U = "ISO 376:2011, table 2, from memory"
    if judged.applied_U_pct is None:
        return Condition.unknown(
            name_U, "not stated", allowed_U, clause_U,
            "state reference_U_pct, the expanded uncertainty of the standard's certificate",
        )  # fmt: skip
    got = f"{judged.applied_U_pct:g} % (k = 2)"
    return Condition.judged(name_U, got, allowed_U, clause_U, held=held)


def _listed(words: list[str]) -> str:
    return ", ".join(words)
