"""Fuel and water per drawbar kilowatt-hour, from what the crew marked.

A ``fuel`` or ``water`` mark states one of

* ``used 250 kg``: taken from store since the mark of that kind before it;
* ``level 3200 L``: what a gauge or dip shows at this instant;
* ``added 500 kg``: put into store (belongs with levels).

A standard uncertainty may follow: ``level 3200 L ± 40``; without one, 2 % of a used amount or
1 % of the greatest level is taken, and noted.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import KJ_PER_KWH
from calibration.quantities.units import exact_ratio
from recorder.analysis.dynamics.energy import work_over
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured
from recorder.marks.kinds import Kind
from recorder.marks.stores import Amount, StoreMark, StoreWord
from recorder.marks.values import UnreadMark

if TYPE_CHECKING:
    from recorder.analysis.uncertainty.run_basis import RunBasis
    from recorder.marks.mark import Mark

__all__ = ["AmountError", "Consumption", "consumption", "evaporation"]

KWH_PER_HPH: Final = exact_ratio("hp_h", "kWh")
ASSUMED_AMOUNT_REL: Final = 0.02
"""Standard uncertainty of a weighed or metered amount without one of its own; from experience."""
ASSUMED_LEVEL_REL: Final = 0.01
"""The same of a gauge or dip, as a share of the greatest level."""
WATER_DENSITY_REL: Final = 0.01
"""From 10 to 50 °C water loses 1.2 per cent of its density."""
MOST_MISSING: Final = 0.2
"""Share of the time without data beyond which nothing is stated over the work."""
SAME_SPAN_S: Final = 60.0
"""Fuel and water keyed within a minute of each other were read at one time."""


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


def consumption(run: RunBasis, kind: Kind) -> Consumption | None:
    """Consumption from the first to the last mark of a kind; ``None`` when they are too few.

    Raises
    ------
    AmountError
        A mark of the kind cannot be read, or mixes mass with volume.
    """
    held = sorted(
        (m for m in run.marks if m.kind is kind and m.value.strip()), key=lambda m: m.t_s
    )
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
    span = slice(*(int(i) for i in np.searchsorted(run.series.t_s, (t0, t1))))
    energy, missing = _draft_work_kWh(run, span)
    told = energy.value > 0.0 and missing <= MOST_MISSING
    per_kWh = amount.over(energy, f"{amount.unit}/kWh") if told else None
    return Consumption(
        kind=kind,
        t_start_s=t0,
        t_end_s=t1,
        used=amount,
        work=energy,
        per_kWh=per_kWh,
        per_hp_h=per_kWh.scaled(KWH_PER_HPH, f"{amount.unit}/(hp·h)") if per_kWh else None,
        assumed=(*assumed, *_missing_words(kind, missing)),
    )


def _missing_words(kind: Kind, missing: float) -> tuple[str, ...]:
    if missing <= 0.0:
        return ()
    share = f"{kind}: pull or speed is not known for {100 * missing:.1f} % of the time"
    if missing > MOST_MISSING:
        return (f"{share}: no consumption per kilowatt-hour is stated",)
    return (f"{share}: the mean power of the rest is taken for it, within 0 and twice of it",)


def evaporation(water: Consumption, fuel: Consumption) -> Measured | None:
    """Water evaporated per unit of fuel, kg/kg; ``None`` unless both have the same span.

    Water in litres counts one kilogram a litre; its density is taken as 1 % uncertain.
    """
    if fuel.used.unit != "kg" or fuel.used.value <= 0.0:
        return None
    apart_s = (water.t_start_s - fuel.t_start_s, water.t_end_s - fuel.t_end_s)
    if max(map(abs, apart_s)) > SAME_SPAN_S:
        return None
    mass = Measured(water.used.value, "kg", water.used.parts, water.used.dof)
    if water.used.unit == "L":
        density = UncertaintyCause(CauseKind.DENSITY, "water")
        mass = mass.with_part(density, WATER_DENSITY_REL * mass.value)
    return mass.over(fuel.used, "kg/kg")


def _stored(mark: Mark) -> tuple[StoreWord, Amount]:
    """What a fuel or water mark with a value states."""
    value = mark.meaning
    if isinstance(value, StoreMark) and value.amount is not None:
        return value.word, value.amount
    why = value.why if isinstance(value, UnreadMark) else "no amount"
    msg = f"mark at {mark.t_s:.1f} s: {why}"
    raise AmountError(msg)


def _used(
    kind: Kind, amounts: Sequence[tuple[StoreWord, Amount]], unit: str
) -> tuple[Measured, tuple[str, ...]] | None:
    """What was used, and what had to be assumed of its uncertainty."""
    if any(word is StoreWord.LEVEL for word, _ in amounts):
        return _by_level(kind, amounts, unit)
    return _by_use(kind, amounts, unit)


def _by_use(
    kind: Kind, amounts: Sequence[tuple[StoreWord, Amount]], unit: str
) -> tuple[Measured, tuple[str, ...]]:
    value, parts = 0.0, {}
    # The first "used" says what went before the first mark: it opens the interval.
    for i, (word, a) in enumerate(amounts[1:], 1):
        if word is StoreWord.USED:
            value += a.value
            parts[_amount(f"{kind} reading {i}")] = _u(a, ASSUMED_AMOUNT_REL * a.value)
    assumed: tuple[str, ...] = ()
    if any(a.u is None for _, a in amounts):
        assumed = (f"{kind}: 2 % standard uncertainty assumed for amounts without one",)
    return Measured(value, unit, parts), assumed


def _by_level(
    kind: Kind, amounts: Sequence[tuple[StoreWord, Amount]], unit: str
) -> tuple[Measured, tuple[str, ...]] | None:
    levels = [(i, a) for i, (word, a) in enumerate(amounts) if word is StoreWord.LEVEL]
    if len(levels) < 2:
        return None
    (first, start), (last, end) = levels[0], levels[-1]
    added = [a for word, a in amounts[first + 1 : last] if word is StoreWord.ADDED]
    value = start.value - end.value + sum(a.value for a in added)
    assumed_u = ASSUMED_LEVEL_REL * max(a.value for _, a in levels)
    parts = {
        _amount(f"{kind} level at start"): _u(start, assumed_u),
        _amount(f"{kind} level at end"): _u(end, assumed_u),
    }
    for i, a in enumerate(added):
        parts[_amount(f"{kind} added {i}")] = _u(a, ASSUMED_AMOUNT_REL * a.value)
    assumed: tuple[str, ...] = ()
    if start.u is None or end.u is None:
        assumed = (f"{kind}: 1 % of the greatest level assumed for levels without uncertainty",)
    return Measured(value, unit, parts), assumed


def _u(amount: Amount, assumed: float) -> float:
    return assumed if amount.u is None else amount.u


def _amount(which: str) -> UncertaintyCause:
    return UncertaintyCause(CauseKind.AMOUNT, which)


def _draft_work_kWh(run: RunBasis, span: slice) -> tuple[Measured, float]:
    """Draft work of a span, and the share of its time without data; NaN where all is without.

    While nothing is known the mean power of the known time is taken, within nothing and twice
    of it (rectangular): a gap is neither rest nor work.
    """
    series = run.series
    pull, speed = series.sound_pull_kN, series.speed_m_s
    known = np.isfinite(pull[span]) & np.isfinite(speed[span])
    if not known.any():
        return Measured(math.nan, "kWh"), 1.0
    draft = np.zeros(len(series), bool)
    draft[span] = known & (pull[span] > 0.0)
    worked = work_over(run, draft)
    kJ = worked.value
    share = 1.0 - float(known.mean()) if len(known) else 1.0
    if share > 0.0:
        missing_kJ = kJ * share / max(1.0 - share, 1e-9)
        extent = Extent(run.name, f"{series.t_s[span][0]:.0f} s" if len(known) else "")
        worked = worked.shifted(missing_kJ).with_part(
            UncertaintyCause(CauseKind.MISSING, extent=extent), missing_kJ / math.sqrt(3.0)
        )
    return worked.scaled(1.0 / KJ_PER_KWH, "kWh"), share
