"""The figures of one run by itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.sentence import say
from recorder.analysis.admission.admit import admit
from recorder.analysis.dynamics.consumption import (
    AmountError,
    Consumption,
    consumption,
    evaporation,
)
from recorder.analysis.dynamics.energy import EnergyBalance, balance_energy
from recorder.analysis.dynamics.mass import MassCheck, check_mass
from recorder.analysis.dynamics.peaks import Peak, highest_mean
from recorder.analysis.dynamics.stops_and_starts import (
    LostStop,
    StartTest,
    StopTest,
    find_starts,
    find_stops,
)
from recorder.analysis.plausibility.doubt import Doubt
from recorder.analysis.series.wheel_jumps import LOCKED
from recorder.analysis.stretches.cutting import CutLimits, cut_run
from recorder.analysis.stretches.handling import brake_on
from recorder.analysis.stretches.stretch_edits import StretchEdit, apply_edits
from recorder.analysis.stretches.stretch_results import StretchResult, measure_stretches
from recorder.analysis.stretches.wandering import with_wander
from recorder.marks.kinds import Kind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.analysis.stretches.specification import Specification
    from recorder.analysis.uncertainty.measured import Measured

__all__ = ["RunAnswer", "answer_run"]

MOST_TOLD: Final = 8
"""Instants in one line."""
PEAKS: Final = (("kN", 10.0), ("kW", 10.0), ("kW", 60.0), ("kW", 3600.0))
"""Unit and seconds of the highest means: momentary, and the hour's power of a rating."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunAnswer:
    """Figures of one run."""

    loaded: LoadedRun
    braked: NDArray[np.bool_]
    """(n,) bins in which the brake was on."""
    results: tuple[StretchResult, ...]
    energy_balance: EnergyBalance
    mass_check: MassCheck | None
    doubts: tuple[Doubt, ...]
    """What contradicts the record."""
    peaks: tuple[Peak, ...]
    starts: tuple[StartTest, ...]
    stops: tuple[StopTest, ...]
    lost_stops: tuple[LostStop, ...]
    """Of which the wheel does not tell where they ended."""
    fuel: Consumption | None
    water: Consumption | None
    evaporation: Measured | None
    notes: tuple[str, ...]


def answer_run(loaded: LoadedRun, edits: Sequence[StretchEdit]) -> RunAnswer:
    """Work a run's own figures; its balance is closed by a resistance later.

    Raises
    ------
    ValueError
        An edit that cannot be done.
    """
    notes = list(loaded.notes)
    series, marks = loaded.series, loaded.marks
    found = cut_run(series, marks, cut_limits(loaded.specification))
    stretches = apply_edits(series, marks, found, edits)
    if loaded.train.locomotive.mass_t is None:
        notes.append("the locomotive's mass is not known: pull cannot be corrected")
    if loaded.train.trailing.mass_t is None:
        notes.append(
            "the trailing mass is not known: no resistance per weight, no energy balance"
        )
    if not stretches:
        notes.append(f"{loaded.name}: the train never moved with pull and speed known")
    notes += _slips(loaded)
    braked = brake_on(series, marks)
    mass = check_mass(loaded, braked)
    measured = measure_stretches(loaded, stretches, loaded.specification)
    admitted = admit(loaded, measured, loaded.specification, loaded.trip)
    results, wander = with_wander(loaded, admitted, loaded.specification)
    loaded = replace(loaded, wander=wander)
    peaks = (highest_mean(loaded, seconds, unit) for unit, seconds in PEAKS)
    stops, lost = find_stops(loaded, braked)
    notes += _lost_told(loaded, lost)
    fuel, water = (_consumed(loaded, kind, notes) for kind in (Kind.FUEL, Kind.WATER))
    return RunAnswer(
        loaded=loaded,
        braked=braked,
        results=tuple(results),
        energy_balance=balance_energy(loaded, braked),
        mass_check=mass,
        doubts=loaded.doubts,
        peaks=tuple(p for p in peaks if p is not None),
        starts=tuple(find_starts(loaded)),
        stops=tuple(stops),
        lost_stops=tuple(lost),
        fuel=fuel,
        water=water,
        evaporation=evaporation(water, fuel) if fuel and water else None,
        notes=tuple(notes),
    )


def cut_limits(specification: Specification | None) -> CutLimits:
    """The cut that the admission limits of a specification ask for."""
    if specification is None:
        return CutLimits()
    limits = specification.admission
    return CutLimits(
        least_s=limits.least_s,
        settle_s=limits.settle_s,
        keyed_late_s=limits.keyed_late_s,
        settings=specification.settings,
        limit_margin_m_s=limits.limit_margin_m_s,
    )


def _consumed(loaded: LoadedRun, kind: Kind, notes: list[str]) -> Consumption | None:
    try:
        found = consumption(loaded, kind)
    except AmountError as error:
        notes.append(str(error))
        return None
    if found is not None:
        notes.extend(found.assumed)
    return found


def _lost_told(loaded: LoadedRun, lost: Sequence[LostStop]) -> list[str]:
    return [
        say(f"{loaded.name}: brake at {s.t_start_s:.0f} s: no stop test, ", s.why) for s in lost
    ]


def _slips(loaded: LoadedRun) -> list[str]:
    """What the wheel's own jumps show of a slip, in words."""
    series = loaded.series
    share = np.abs(series.slipped)
    locked = share >= LOCKED
    slid = (share > 0.0) & ~locked
    out = []
    if locked.any():
        at_s = series.t_s[np.flatnonzero(np.diff(locked.astype(np.int8), prepend=0) > 0)]
        out.append(
            f"{loaded.name}: the measuring wheel seems to have locked {len(at_s)} times, at"
            f" {', '.join(f'{t:.0f} s' for t in at_s[:MOST_TOLD])}"
            f"{', …' * (len(at_s) > MOST_TOLD)}: it came to rest, or left it, as no train does"
        )
    if slid.any():
        out.append(
            f"{loaded.name}: the shown speed jumps as no train's does: the measuring wheel seems"
            f" to have slipped or slid for {np.count_nonzero(slid) * series.step_s:.0f} s, by up to"
            f" {100.0 * float(share[slid].max()):.1f} % of the speed; it is not corrected, and is"
            " in the uncertainty of speeds, margins, stops and kinetic energy"
        )
    return out
