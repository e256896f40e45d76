"""ASTM E74: what it asks of the calibration itself before a verified range is claimed.

Every number is from memory, or from experience where memory holds none; the standard itself
is to be at hand before a certificate cites it.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.figures.class_standard import expanded_pct, standard_conditions
from calibration.figures.condition import Condition
from calibration.figures.reading_conditions import (
    preload_condition,
    reading_conditions,
    rows_of_series,
    temperature_conditions,
    wait_condition,
)
from calibration.readings.positions import position_index, turn_deg

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.readings.bench_settings import BenchSettings
    from calibration.readings.load_series import LoadSeries
    from calibration.readings.readings import Readings

__all__ = ["MIN_FORCES", "MIN_SHARE", "Chosen", "class_conditions", "e74_conditions"]

_CLAUSE: Final = "ASTM E74, from memory"
MIN_READINGS: Final = 30
MIN_FORCES: Final = 10
MIN_SHARE: Final = 0.02
"""Lowest force in any class as a share of the capacity, or of the largest force."""
LEAST_TURN_DEG: Final = 60.0
"""Between any two positions: the standard is remembered to turn the cell by a third, a quarter
or half a turn between runs; six even positions are the closest in use (from experience)."""
PRELOADS: Final = 2
"""To the largest force before the first run; one after each turn is usual."""
NEW_MONTHS, LONGEST_MONTHS = 12, 24
"""Between calibrations: of an instrument whose change is not known, and of any."""
FORCE_UNCERTAINTY: Final = {"a": 0.05, "aa": 0.005}
"""Largest expanded uncertainty of the applied force, %: class A by a standard of class AA, class
AA by a primary standard."""
CHANGE_PCT: Final = {"a": 0.16, "aa": 0.032}
"""Largest change of sensitivity since the calibration before, % of reading, for the longest
interval."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """Which readings the figures rest on."""

    rows: NDArray[np.bool_]
    """(n,) of the loaded readings."""
    words: str


def e74_conditions(
    loads: LoadSeries, chosen: Chosen, readings: Readings, settings: BenchSettings
) -> list[Condition]:
    """Every condition that does not depend on the class, checked.

    ``readings`` are all that were taken: preloads and replaced readings as well.
    """
    runs = [
        rows_of_series(readings, loads.sense, [int(s)])
        for s in np.unique(loads.series[chosen.rows])
    ]
    used = np.concatenate(runs)
    used = used[~readings.superseded[used]]
    return [
        *_numbers(loads, chosen),
        _rotation(loads, chosen),
        preload_condition(
            readings, _spans(readings, used), float(loads.levels[-1]), before=PRELOADS,
            allowed=f"{PRELOADS} to the largest force before the first series, 1 after each turn"
            " (the latter our choice)",
            clause=_CLAUSE,
        ),
        wait_condition(readings, runs, loads.largest, clause=_CLAUSE),
        *temperature_conditions(readings.temperature_C[used], clause=_CLAUSE),
        *standard_conditions(settings, clause=_CLAUSE),
        *reading_conditions(loads, readings, settings, clause=_CLAUSE),
    ]  # fmt: skip


def class_conditions(
    name: str, settings: BenchSettings, *, highest_kN: float, capacity_kN: float
) -> list[Condition]:
    """What the class sets the limit of: ``a`` or ``aa``."""
    lowest = MIN_SHARE * capacity_kN
    return [
        Condition.judged(
            "lowest force",
            f"of the class at least {lowest:.4g} kN; forces up to {highest_kN:g} kN",
            f"at least {100.0 * MIN_SHARE:g} % of {capacity_kN:g} kN",
            _CLAUSE,
            held=lowest <= highest_kN * (1.0 + 1e-9),
        ),
        _applied(settings, name),
        _validity(settings, name),
    ]


def _numbers(loads: LoadSeries, chosen: Chosen) -> list[Condition]:
    counts = np.bincount(loads.level_of[chosen.rows], minlength=len(loads.levels))
    n, forces = int(np.sum(counts)), int(np.count_nonzero(counts))
    once = int(np.count_nonzero(counts == 1))
    return [
        Condition.judged(
            "readings", f"{n} ({chosen.words})", f"at least {MIN_READINGS}", _CLAUSE,
            held=n >= MIN_READINGS,
        ),
        Condition.judged(
            "forces", f"{forces} distinct", f"at least {MIN_FORCES}", _CLAUSE,
            held=forces >= MIN_FORCES,
        ),
        Condition.judged(
            "repeats", f"{once} of the forces applied only once", "every force twice or more",
            _CLAUSE, held=once == 0,
        ),
    ]  # fmt: skip


def _rotation(loads: LoadSeries, chosen: Chosen) -> Condition:
    """Positions apart, all the way round, and every force at two of them."""
    allowed = (
        f"every force at 2 positions or more, any two of them {LEAST_TURN_DEG:g}° apart or more"
    )
    place = loads.place[chosen.rows]
    if np.any(place < 0):
        got = "the positions of the runs are not stated"
        return Condition.unknown("rotation", got, allowed, _CLAUSE, "state position_deg")
    first = np.unique(place, return_index=True)[1]
    places = sorted((loads.position_deg[chosen.rows][first] % 360.0).tolist())
    apart = min((turn_deg(a, b) for a, b in itertools.combinations(places, 2)), default=0.0)
    level = loads.level_of[chosen.rows]
    lacking = sum(len(np.unique(place[level == i])) < 2 for i in np.unique(level))
    got = ", ".join(f"{p:g}°" for p in places)
    if len(places) > 1 and lacking:
        got += f"; {lacking} of the forces at one of them only"
    held = not lacking and apart >= LEAST_TURN_DEG - 1e-9
    return Condition.judged("rotation", got, allowed, _CLAUSE, held=held)


def _spans(readings: Readings, used: NDArray[np.intp]) -> list[tuple[int, int, float]]:
    """First and last reading under force of each series at each position, and the position."""
    loaded = used[readings.applied[used] != 0.0]
    place = position_index(readings.position_deg[loaded])
    keys = list(zip(readings.series[loaded].tolist(), place.tolist(), strict=True))
    spans = []
    for key in dict.fromkeys(keys):
        here = loaded[[k == key for k in keys]]
        at = float(readings.position_deg[here[0]] % 360.0)
        spans.append((int(np.min(here)), int(np.max(here)), at))
    return spans


def _applied(settings: BenchSettings, name: str) -> Condition:
    """Whether the reference is good enough to give a class."""
    U, limit = expanded_pct(settings), FORCE_UNCERTAINTY[name]
    what, allowed = "uncertainty of the applied force", f"at most {limit:g} %"
    if U is None:
        to_know = (
            "state reference_U_pct, the expanded uncertainty of the standard's certificate"
        )
        return Condition.unknown(what, "not stated", allowed, _CLAUSE, to_know)
    held = limit * (1.0 + 1e-9) >= U
    return Condition.judged(what, f"{U:g} % (k = 2)", allowed, _CLAUSE, held=held)


def _validity(settings: BenchSettings, name: str) -> Condition:
    months, change, limit = settings.valid_months, settings.stability_pct, CHANGE_PCT[name]
    allowed = (
        f"at most {NEW_MONTHS} months, {LONGEST_MONTHS} where the sensitivity changes by at most"
        f" {limit:g} % between calibrations"
    )
    got = f"{months} months"
    if NEW_MONTHS < months <= LONGEST_MONTHS and change is None:
        return Condition.unknown(
            "validity", f"{got}, the change not stated", allowed, _CLAUSE,
            f"state stability_pct, or let it be valid for at most {NEW_MONTHS} months",
        )  # fmt: skip
    if change is not None:
        got += f", change {change:g} %"
    held = months <= NEW_MONTHS or (
        months <= LONGEST_MONTHS and change is not None and change <= limit
    )
    return Condition.judged("validity", got, allowed, _CLAUSE, held=held)
