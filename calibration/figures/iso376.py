"""ISO 376: relative errors of a force-proving instrument and the class they allow.

X₁, X₂ rising series at one position; X₃, X₅ rising at two rotated positions; X₄′, X₆′ falling
after X₃ and X₅; all zero-reduced. Formulas and class table as commonly stated of ISO 376:2011;
the standard itself is to be consulted before a certificate cites it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.figures.figure import Figure
from calibration.statistics.polynomial_fit import fit_polynomial

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.load_series import Branch, LoadSeries

__all__ = ["CLASSES", "LIMITS", "IsoErrors", "iso_errors", "iso_figures", "iso_series"]

_SOURCE: Final = "ISO 376:2011 as commonly stated"
CLASSES: Final = ("00", "0.5", "1", "2")
LIMITS: Final[Mapping[str, Mapping[str, float]]] = MappingProxyType(
    {
        "00": {"b": 0.05, "b'": 0.025, "fc": 0.025, "f0": 0.012, "v": 0.07, "c": 0.025},
        "0.5": {"b": 0.10, "b'": 0.05, "fc": 0.05, "f0": 0.025, "v": 0.15, "c": 0.05},
        "1": {"b": 0.20, "b'": 0.10, "fc": 0.10, "f0": 0.050, "v": 0.30, "c": 0.10},
        "2": {"b": 0.40, "b'": 0.20, "fc": 0.20, "f0": 0.10, "v": 0.50, "c": 0.20},
    }
)
"""Largest magnitude of each relative error, %, by class."""
FORCE_UNCERTAINTY: Final = MappingProxyType({"00": 0.01, "0.5": 0.02, "1": 0.05, "2": 0.10})
"""Largest expanded relative uncertainty of the applied force, %, by class."""
MIN_STEPS: Final = MappingProxyType({"00": 4000, "0.5": 2000, "1": 1000, "2": 500})
"""Lowest force in steps of the indication, by class."""
MIN_FORCES: Final = 8
ERROR_NAMES: Final = MappingProxyType(
    {
        "b": "reproducibility b",
        "b'": "repeatability b'",
        "fc": "interpolation f_c",
        "f0": "zero f_0",
        "v": "reversibility v",
        "c": "creep c",
        "r": "resolution r",
        "U": "uncertainty of the applied force",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class IsoErrors:
    """Relative errors in %, each (levels,)."""

    mean_rotated: NDArray[np.float64]
    """X̄ᵣ, mean of the rising series at different positions."""
    b: NDArray[np.float64]
    b_prime: NDArray[np.float64]
    v: NDArray[np.float64] | None


def iso_errors(
    x1: ArrayLike,
    x2: ArrayLike,
    rotated: ArrayLike,
    falling: tuple[ArrayLike, ArrayLike] | None,
) -> IsoErrors:
    """Reproducibility, repeatability, reversibility.

    ``b = 100 |X_max − X_min| / X̄ᵣ`` over X₁, X₃, X₅; ``b' = 100 |X₂ − X₁| / X̄_wr``;
    ``v = (v₁ + v₂)/2``, ``v₁ = 100 |X₄′ − X₃| / X₃``, ``v₂`` alike from X₆′ and X₅.

    Parameters
    ----------
    x1, x2 : (levels,) rising at the first position
    rotated : (k, levels), k ≥ 2, rising at other positions, X₃ and X₅ first
    falling : (k, levels) falling, beside the rising ones of the same series (k, levels)
    """
    first, second = np.asarray(x1, dtype=np.float64), np.asarray(x2, dtype=np.float64)
    turned = np.asarray(rotated, dtype=np.float64)
    all_rotated = np.vstack((first[None, :], turned))
    mean = all_rotated.mean(axis=0)
    v = None
    if falling is not None:
        down, up = (np.asarray(part, dtype=np.float64) for part in falling)
        v = np.mean(100.0 * np.abs((down - up) / up), axis=0)
    return IsoErrors(
        mean_rotated=mean,
        b=100.0 * np.abs(np.ptp(all_rotated, axis=0) / mean),
        b_prime=100.0 * np.abs((second - first) / ((first + second) / 2.0)),
        v=v,
    )


@dataclass(frozen=True, slots=True)
class _Programme:
    """Which branches are X₁, X₂, the rotated ones, and the falling ones with their rising."""

    x1: Branch
    x2: Branch
    rotated: tuple[Branch, ...]
    falling: tuple[tuple[Branch, Branch], ...]


def iso_series(loads: LoadSeries) -> _Programme | str:
    """The series among the branches, or what is missing in words."""
    if not loads.branches:
        return "the series are not stated"
    rising = [branch for branch in loads.branches if branch.direction > 0]
    if any(math.isnan(branch.position_deg) for branch in rising):
        return "the positions of the runs are not stated"
    if not rising:
        return "no run is known to be rising"
    positions = [branch.position_deg for branch in rising]
    same = [p for p in dict.fromkeys(positions) if positions.count(p) >= 2]
    if not same:
        return "no two rising series at the same position"
    home = [branch for branch in rising if branch.position_deg == same[0]]
    others = {
        branch.position_deg: branch
        for branch in reversed(rising)
        if branch.position_deg != same[0]
    }
    rotated = sorted(others.values(), key=lambda branch: branch.first_row)
    if len(rotated) < 2:
        return f"{len(rotated)} rotated position(s) with a rising series; two needed"
    complete = [home[0], home[1], *rotated]
    if any(np.any(np.isnan(branch.at)) for branch in complete):
        return "not every force was taken in each rising series"
    return _Programme(home[0], home[1], tuple(rotated), _falling(loads, rotated))


def _falling(loads: LoadSeries, rotated: list[Branch]) -> tuple[tuple[Branch, Branch], ...]:
    """Each rotated rising branch with the falling one at its position, where there is one."""
    pairs = []
    for up in rotated:
        for branch in loads.branches:
            if branch.direction < 0 and branch.position_deg == up.position_deg:
                pairs.append((branch, up))
                break
    return tuple(pairs)


def iso_figures(
    loads: LoadSeries,
    *,
    degree: int,
    creep_pct: float | None,
    resolution_kN: float | None,
    settings: BenchSettings,
) -> list[Figure]:
    """Repeatability, reproducibility, interpolation, zero, reversibility, and the class.

    ``f_c = 100 (X̄ᵣ − X_a) / X_a`` with X_a on a curve of degree ≤ 3 through the means;
    ``f₀ = 100 (i_f − i₀) / X_N``. The class holds for all forces applied; better classes over
    part of them are in the detail.
    """
    series = iso_series(loads)
    if isinstance(series, str):
        return _partial(loads, series)
    errors, table = _errors(loads, series, degree)
    zero = _zero_error(loads)
    figures = [
        _figure("repeatability", "100 |X2 - X1| / X_wr, worst force", loads, errors.b_prime),
        _figure("reproducibility", "100 |X_max - X_min| / X_r, worst force", loads, errors.b),
        _figure(
            "iso376_interpolation", "100 (X_r - X_a) / X_a, worst force", loads, table["fc"]
        ),
        _figure(
            "reversibility", "(v1 + v2)/2, v1 = 100 |X4' - X3| / X3", loads, table.get("v")
        ),
    ]
    if zero is not None:
        table["f0"] = np.full(len(loads.levels), zero)
    if creep_pct is not None:
        table["c"] = np.full(len(loads.levels), creep_pct)
    missing = _missing(loads, table)
    reference_U_pct = settings.reference_U_pct
    result = _class_figure()
    if missing:
        return [*figures, result.without(missing)]
    classes = _ranges(loads, table, resolution_kN, reference_U_pct)
    return [*figures, _decide(loads, result, classes, table, reference_U_pct)]


def _errors(
    loads: LoadSeries, series: _Programme, degree: int
) -> tuple[IsoErrors, dict[str, NDArray[np.float64]]]:
    falling = None
    pairs = [p for p in series.falling if not np.all(np.isnan(p[0].at))]
    if pairs:
        falling = (np.vstack([d.at for d, _ in pairs]), np.vstack([u.at for _, u in pairs]))
    rotated = np.vstack([branch.at for branch in series.rotated])
    errors = iso_errors(series.x1.at, series.x2.at, rotated, falling)
    table = {"b": errors.b, "b'": errors.b_prime}
    terms = min(degree, 3, max(1, len(loads.levels) - 2))
    if len(loads.levels) > terms + 1:
        expected = fit_polynomial(loads.levels, errors.mean_rotated, terms).predict(
            loads.levels
        )
        table["fc"] = 100.0 * (errors.mean_rotated - expected) / expected
    else:
        table["fc"] = np.full(len(loads.levels), np.nan)
    if errors.v is not None:
        table["v"] = errors.v
    return errors, table


def _zero_error(loads: LoadSeries) -> float | None:
    change = loads.zero_after - loads.zero_before
    known = change[~np.isnan(change)]
    if not loads.has_zero or len(known) == 0:
        return None
    return float(100.0 * np.max(np.abs(known)) / loads.full_scale)


def _missing(loads: LoadSeries, table: Mapping[str, NDArray[np.float64]]) -> str:
    if len(loads.levels) < MIN_FORCES:
        return f"{len(loads.levels)} forces; at least {MIN_FORCES} needed"
    if abs(loads.levels[0]) > 0.5 * loads.largest:
        return "the forces do not reach down to half of the largest"
    if "f0" not in table:
        return "no zero was read before and after a series"
    if "v" not in table and "c" not in table:
        return "neither falling series (reversibility) nor creep readings were taken"
    return ""


def _within(
    name: str,
    loads: LoadSeries,
    table: Mapping[str, NDArray[np.float64]],
    resolution_kN: float | None,
) -> dict[str, NDArray[np.bool_]]:
    """For one class, which criteria hold at which level; a value not taken holds."""
    # The last digits of a limit are decimal, of an error binary.
    holds = {
        key: np.isnan(values) | (np.abs(values) <= LIMITS[name][key] * (1.0 + 1e-9))
        for key, values in table.items()
    }
    if resolution_kN is not None:
        force = np.abs(loads.levels) * loads.readings.kN_per_unit
        holds["r"] = force >= MIN_STEPS[name] * resolution_kN * (1.0 - 1e-9)
    return holds


def _ranges(
    loads: LoadSeries,
    table: Mapping[str, NDArray[np.float64]],
    resolution_kN: float | None,
    reference_U_pct: float | None,
) -> dict[str, dict[str, Any]]:
    """For each class the lowest force from which it holds up to the largest; what stops it."""
    result: dict[str, dict[str, Any]] = {}
    force = np.abs(loads.levels) * loads.readings.kN_per_unit
    for name in CLASSES:
        holds = _within(name, loads, table, resolution_kN)
        if reference_U_pct is not None and reference_U_pct > FORCE_UNCERTAINTY[name]:
            holds["U"] = np.zeros(len(force), dtype=np.bool_)
        every = np.all(np.vstack(list(holds.values())), axis=0)
        bad = np.flatnonzero(~every)
        start = int(bad[-1]) + 1 if len(bad) else 0
        failed = sorted(ERROR_NAMES[key] for key, ok in holds.items() if not np.all(ok))
        usable = start < len(force) and force[start] <= 0.5 * force[-1] * (1.0 + 1e-9)
        result[name] = {
            "low_kN": float(force[start]) if usable else None,
            "high_kN": float(force[-1]) if usable else None,
            "whole_range": start == 0,
            "fails_by": failed,
        }
    return result


def _decide(
    loads: LoadSeries,
    figure: Figure,
    classes: Mapping[str, dict[str, Any]],
    table: Mapping[str, NDArray[np.float64]],
    reference_U_pct: float | None,
) -> Figure:
    name = next((c for c in CLASSES if classes[c]["whole_range"]), None)
    better = CLASSES[CLASSES.index(name) - 1] if name not in (None, "00") else None
    parts = []
    if name is None:
        parts.append(f"no class holds at every force: {', '.join(classes['2']['fails_by'])}")
    elif better is not None:
        parts.append(f"decided by {', '.join(classes[better]['fails_by'])}")
    if name is not None and reference_U_pct is None:
        limit = FORCE_UNCERTAINTY[name]
        parts.append(
            f"holds only if the expanded uncertainty of the applied force, not stated, is at"
            f" most {limit:g} %"
        )
    force = np.abs(loads.levels) * loads.readings.kN_per_unit
    return replace(
        figure,
        value=name if name is not None else "none",
        reason="; ".join(parts),
        detail={
            "low_kN": float(force[0]) if name is not None else None,
            "high_kN": float(force[-1]) if name is not None else None,
            "decided_by": classes[better or "2"]["fails_by"] if name != "00" else [],
            "classes": dict(classes),
            "worst_pct": {k: float(np.nanmax(np.abs(v))) for k, v in table.items()
                          if not np.all(np.isnan(v))},
        },
    )  # fmt: skip


def _class_figure() -> Figure:
    return Figure(
        name="iso376_class",
        value=None,
        unit="class",
        formula="best class whose limits of b, b', f_c, f_0, v or c, r hold at every force",
        source=_SOURCE,
    )


def _figure(
    name: str,
    formula: str,
    loads: LoadSeries,
    values: NDArray[np.float64] | None,
    why: str = "",
) -> Figure:
    figure = Figure(name=name, value=None, unit="% of reading", formula=formula, source=_SOURCE)
    if values is None or np.all(np.isnan(values)):
        falling = name == "reversibility" and not any(
            branch.direction < 0 for branch in loads.branches
        )
        return figure.without("no falling series" if falling else why or "too few forces")
    known = np.where(np.isnan(values), 0.0, values)
    worst = float(known[np.argmax(np.abs(known))])
    detail = {
        "applied": loads.levels.tolist(),
        "pct": [None if math.isnan(v) else v for v in values.tolist()],
    }
    return replace(figure, value=worst, detail=detail)


def _partial(loads: LoadSeries, reason: str) -> list[Figure]:
    """What stands without the whole programme: repeatability and reversibility alone."""
    rising = [r for r in loads.branches if r.direction > 0]
    b_prime = v = None
    for i, first in enumerate(rising):
        for second in rising[i + 1 :]:
            if b_prime is None and first.position_deg == second.position_deg:
                b_prime = (
                    100.0 * np.abs(second.at - first.at) / np.abs(second.at + first.at) * 2.0
                )
    changes = [
        100.0 * np.abs((down.at - up.at) / up.at)
        for up in rising
        for down in loads.branches
        if down.direction < 0 and down.series == up.series
    ]
    if changes:
        v = np.mean(np.vstack(changes), axis=0)
    repeatability = _figure(
        "repeatability", "100 |X2 - X1| / X_wr, worst force", loads, b_prime, reason
    )
    reversibility = _figure(
        "reversibility",
        "mean of 100 |X_down - X_up| / X_up over series, worst force",
        loads,
        v,
        reason,
    )
    empty = (
        ("reproducibility", "100 |X_max - X_min| / X_r, worst force"),
        ("iso376_interpolation", "100 (X_r - X_a) / X_a, worst force"),
    )
    others = [_figure(name, formula, loads, None, reason) for name, formula in empty]
    return [repeatability, reversibility, *others, _class_figure().without(reason)]
