"""Fuel and water per drawbar kilowatt-hour, from what the crew marked.

A ``fuel`` or ``water`` mark says one of

* ``used 250 kg``: taken from store since the mark of that kind before it;
* ``level 3200 L``: what a gauge or dip shows at this instant;
* ``added 500 kg``: put into store (belongs with levels).

A standard uncertainty may follow: ``level 3200 L ± 40``; without one, 2 % of a used amount or
1 % of the greatest level is taken, and said.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.series.series import Series
from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty
from recorder.analysis.uncertainty.measured import Measured

if TYPE_CHECKING:
    from recorder.marks.mark import Mark

__all__ = ["AmountError", "Consumption", "consumption", "evaporation", "parse_amount"]

_TO_SI: Final = {
    "kg": (1.0, "kg"),
    "t": (1000.0, "kg"),
    "lb": (0.45359237, "kg"),
    "short_t": (907.18474, "kg"),
    "long_t": (1016.0469088, "kg"),
    "l": (1.0, "L"),
    "m3": (1000.0, "L"),
    "gal": (3.785411784, "L"),
    "us_gal": (3.785411784, "L"),
    "imp_gal": (4.54609, "L"),
}
_FORM: Final = re.compile(
    r"^\s*(?:(used|level|added)\s+)?([0-9]+(?:[.][0-9]+)?)\s*([A-Za-z_0-9]+)"
    r"(?:\s*(?:±|\+/-)\s*([0-9]+(?:[.][0-9]+)?))?\s*$",
    re.IGNORECASE,
)
MJ_PER_KWH: Final = 3600.0
KWH_PER_HPH: Final = 0.7456998715822702


class AmountError(ValueError):
    """A fuel or water mark that cannot be read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Consumption:
    """What was used over the drawbar work done in the same time."""

    kind: str
    t_start_s: float
    t_end_s: float
    used: Measured
    """kg or L."""
    work: Measured
    """Draft work over the same time, kWh."""
    per_kWh: Measured | None
    per_hp_h: Measured | None
    assumed: tuple[str, ...] = ()


def parse_amount(text: str) -> tuple[str, float, str, float | None]:
    """``(word, amount, unit, standard uncertainty or None)`` in kg or L; the word defaults to
    ``used``.

    Raises
    ------
    AmountError
        The text is not an amount.
    """
    found = _FORM.match(text)
    if found is None or found[3].lower() not in _TO_SI:
        msg = (
            f"amount {text!r} not understood; write e.g. 'used 250 kg' or 'level 3200 L ± 40'"
            f" with a unit of {', '.join(_TO_SI)}"
        )
        raise AmountError(msg)
    factor, unit = _TO_SI[found[3].lower()]
    u = float(found[4]) * factor if found[4] else None
    return (found[1] or "used").lower(), float(found[2]) * factor, unit, u


def consumption(
    series: Series, marks: Sequence[Mark], kind: str, evidence: InstrumentUncertainty
) -> Consumption | None:
    """Consumption from the first to the last mark of a kind; ``None`` when they cannot say.

    Raises
    ------
    AmountError
        A mark of the kind cannot be read, or mixes mass with volume.
    """
    held = sorted((m for m in marks if m.kind == kind and m.value.strip()), key=lambda m: m.t_s)
    if len(held) < 2:
        return None
    amounts = [parse_amount(m.value) for m in held]
    units = {a[2] for a in amounts}
    if len(units) > 1:
        msg = (
            f"{kind} marks mix {' and '.join(sorted(units))}; use one unit of mass or of volume"
        )
        raise AmountError(msg)
    used = _used(kind, amounts, units.pop())
    if used is None:
        return None
    amount, assumed = used
    t0, t1 = held[0].t_s, held[-1].t_s
    span = slice(*np.searchsorted(series.t_s, (t0, t1)))
    energy = _draft_work_kWh(series, span, evidence)
    per_kWh = amount.over(energy, f"{amount.unit}/kWh") if energy.value > 0.0 else None
    return Consumption(
        kind=kind,
        t_start_s=t0,
        t_end_s=t1,
        used=amount,
        work=energy,
        per_kWh=per_kWh,
        per_hp_h=per_kWh.scaled(KWH_PER_HPH, f"{amount.unit}/(hp·h)") if per_kWh else None,
        assumed=assumed,
    )


def evaporation(water: Consumption, fuel: Consumption) -> Measured | None:
    """Water evaporated per unit of fuel, kg/kg; ``None`` unless both have the same span.

    Water in litres counts one kilogram a litre; its density is taken as 1 % uncertain.
    """
    if fuel.used.unit != "kg" or fuel.used.value <= 0.0:
        return None
    if abs(water.t_start_s - fuel.t_start_s) > 60.0 or abs(water.t_end_s - fuel.t_end_s) > 60.0:
        return None
    mass = Measured(water.used.value, "kg", water.used.parts, water.used.dof)
    if water.used.unit == "L":
        mass = mass.with_part("density of water", 0.01 * mass.value)
    return mass.over(fuel.used, "kg/kg")


def _used(
    kind: str, amounts: Sequence[tuple[str, float, str, float | None]], unit: str
) -> tuple[Measured, tuple[str, ...]] | None:
    words = {a[0] for a in amounts}
    assumed: list[str] = []
    if "level" not in words:
        value, parts = 0.0, {}
        # The first "used" says what went before the first mark: it opens the interval.
        for i, (word, amount, _, u) in enumerate(amounts[1:], 1):
            if word == "used":
                value += amount
                parts[f"{kind} reading {i}"] = u if u is not None else 0.02 * amount
        if any(a[3] is None for a in amounts):
            assumed.append(f"{kind}: 2 % standard uncertainty assumed for amounts without one")
        return Measured(value, unit, parts), tuple(assumed)
    levels = [(i, a) for i, a in enumerate(amounts) if a[0] == "level"]
    if len(levels) < 2:
        return None
    (first, start), (last, end) = levels[0], levels[-1]
    top = max(a[1] for _, a in levels)
    added = [a for a in amounts[first + 1 : last] if a[0] == "added"]
    value = start[1] - end[1] + sum(a[1] for a in added)
    parts = {
        f"{kind} level at start": start[3] if start[3] is not None else 0.01 * top,
        f"{kind} level at end": end[3] if end[3] is not None else 0.01 * top,
    }
    for i, a in enumerate(added):
        parts[f"{kind} added {i}"] = a[3] if a[3] is not None else 0.02 * a[1]
    if start[3] is None or end[3] is None:
        assumed.append(
            f"{kind}: 1 % of the greatest level assumed for levels without uncertainty"
        )
    return Measured(value, unit, parts), tuple(assumed)


def _draft_work_kWh(series: Series, span: slice, evidence: InstrumentUncertainty) -> Measured:
    pull = np.nan_to_num(series.pull_kN[span])
    ds = np.nan_to_num(series.speed_m_s[span]) * series.step_s
    draft = pull > 0.0
    kJ = float(np.sum(pull[draft] * ds[draft]))
    metres = float(np.sum(ds[draft]))
    mean = kJ / metres if metres > 0.0 else 0.0
    parts = {
        evidence.pull_cause: evidence.pull_u_kN(mean) * metres,
        evidence.zero_cause: evidence.zero_u_kN * metres,
        evidence.wheel_cause: evidence.wheel_rel_u * kJ,
    }
    return Measured(kJ, "kJ", parts).scaled(1.0 / MJ_PER_KWH, "kWh")
