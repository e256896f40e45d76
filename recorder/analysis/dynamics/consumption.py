"""Fuel and water per drawbar kilowatt-hour, from what the crew marked.

A ``fuel`` or ``water`` mark says one of

* ``used 250 kg``: taken from store since the mark of that kind before it;
* ``level 3200 L``: what a gauge or dip shows at this instant;
* ``added 500 kg``: put into store (belongs with levels).

A standard uncertainty may follow: ``level 3200 L ± 40``; without one, 2 % of a used amount or
1 % of the greatest level is taken, and said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.series.series import Series
from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty
from recorder.analysis.uncertainty.measured import Measured
from recorder.marks.kinds import Kind
from recorder.marks.stores import Amount, StoreMark, StoreWord
from recorder.marks.values import UnreadMark

if TYPE_CHECKING:
    from recorder.marks.mark import Mark

__all__ = ["AmountError", "Consumption", "consumption", "evaporation"]

MJ_PER_KWH: Final = 3600.0
KWH_PER_HPH: Final = 0.7456998715822702


class AmountError(ValueError):
    """A fuel or water mark that cannot be read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Consumption:
    """What was used over the drawbar work done in the same time."""

    kind: Kind
    t_start_s: float
    t_end_s: float
    used: Measured
    """kg or L."""
    work: Measured
    """Draft work over the same time, kWh."""
    per_kWh: Measured | None
    per_hp_h: Measured | None
    assumed: tuple[str, ...] = ()


def consumption(
    series: Series, marks: Sequence[Mark], kind: Kind, evidence: InstrumentUncertainty
) -> Consumption | None:
    """Consumption from the first to the last mark of a kind; ``None`` when they cannot say.

    Raises
    ------
    AmountError
        A mark of the kind cannot be read, or mixes mass with volume.
    """
    held = sorted((m for m in marks if m.kind is kind and m.value.strip()), key=lambda m: m.t_s)
    if len(held) < 2:
        return None
    amounts = [_stored(mark) for mark in held]
    units = {amount.unit for _, amount in amounts}
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


def _stored(mark: Mark) -> tuple[StoreWord, Amount]:
    """What a fuel or water mark with a value says."""
    value = mark.meaning
    if isinstance(value, StoreMark) and value.amount is not None:
        return value.word, value.amount
    why = value.why if isinstance(value, UnreadMark) else "no amount"
    msg = f"mark at {mark.t_s:.1f} s: {why}"
    raise AmountError(msg)


def _used(
    kind: Kind, amounts: Sequence[tuple[StoreWord, Amount]], unit: str
) -> tuple[Measured, tuple[str, ...]] | None:
    words = {word for word, _ in amounts}
    assumed: list[str] = []
    if StoreWord.LEVEL not in words:
        value, parts = 0.0, {}
        # The first "used" says what went before the first mark: it opens the interval.
        for i, (word, a) in enumerate(amounts[1:], 1):
            if word is StoreWord.USED:
                value += a.value
                parts[f"{kind} reading {i}"] = a.u if a.u is not None else 0.02 * a.value
        if any(a.u is None for _, a in amounts):
            assumed.append(f"{kind}: 2 % standard uncertainty assumed for amounts without one")
        return Measured(value, unit, parts), tuple(assumed)
    levels = [(i, a) for i, (word, a) in enumerate(amounts) if word is StoreWord.LEVEL]
    if len(levels) < 2:
        return None
    (first, start), (last, end) = levels[0], levels[-1]
    top = max(a.value for _, a in levels)
    added = [a for word, a in amounts[first + 1 : last] if word is StoreWord.ADDED]
    value = start.value - end.value + sum(a.value for a in added)
    parts = {
        f"{kind} level at start": start.u if start.u is not None else 0.01 * top,
        f"{kind} level at end": end.u if end.u is not None else 0.01 * top,
    }
    for i, a in enumerate(added):
        parts[f"{kind} added {i}"] = a.u if a.u is not None else 0.02 * a.value
    if start.u is None or end.u is None:
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
