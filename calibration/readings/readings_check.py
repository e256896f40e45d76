"""Checks of bench readings as a whole: what no calibration may be made from.

Each fault is one line with source and row.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.readings.load_series import force_levels
from calibration.readings.readings import HOLD, Readings, ReadingsError
from calibration.readings.repeats import take_repeats

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["check_readings"]

TEMPERATURES_C: Final = (-80.0, 150.0)
"""Lowest and highest that any bench has (from experience)."""
LARGEST_FORCE_kN: Final = 1e5
"""Ten thousand tonnes: no press for couplers comes near (from experience)."""
PLAIN_RISE: Final = 0.02
"""Of the largest force: what a press is off by from run to run is less (from experience)."""
SMALLEST_FORCE: Final = 1e-9
"""Of the largest: below it a number is an error of arithmetic that should read 0."""


def check_readings(
    readings: Readings, *, repeat_reasons: Sequence[str] = (), steps: Sequence[str] = ()
) -> Readings:
    """Check the readings, put repeats in their place, work out directions not stated.

    ``repeat_reasons`` and ``steps`` (numbers of the plan) have one text a reading, or none.

    Raises
    ------
    ReadingsError
        Duplicate or out-of-order steps, time running backwards, a series of one reading, no
        force or all one force, readings that never change, stand at a limit, or go the wrong
        way for the sign of the force.
    """
    readings.check_shape()
    _check_place(readings)
    _check_largest(readings)
    _check_time(readings)
    readings = take_repeats(readings, reasons=repeat_reasons, steps=steps)
    _check_series(readings)
    readings = _infer_directions(readings)
    _check_order(readings)
    _check_spread(readings)
    _check_lone_sign(readings)
    _check_clipping(readings)
    _check_sign(readings)
    return readings


def _fail(readings: Readings, i: int, message: str) -> ReadingsError:
    return ReadingsError(f"{readings.source} row {readings.row[i]}: {message}")


def _groups(readings: Readings) -> list[np.ndarray[tuple[int], np.dtype[np.intp]]]:
    """Indices of the used readings of each series, in order; empty when no series is stated."""
    used = readings.used
    return [
        np.flatnonzero(used & (readings.series == s)) for s in range(len(readings.series_names))
    ]


def _check_place(readings: Readings) -> None:
    """Temperatures and positions that cannot be."""
    low, high = TEMPERATURES_C
    with np.errstate(invalid="ignore"):
        cold_or_hot = (readings.temperature_C < low) | (readings.temperature_C > high)
        turned = (readings.position_deg < 0.0) | (readings.position_deg > 360.0)
    for i in np.flatnonzero(cold_or_hot)[:1]:
        msg = (
            f"temperature is {readings.temperature_C[i]:g} °C: no bench is; {low:g} to {high:g}"
        )
        raise _fail(readings, int(i), msg)
    for i in np.flatnonzero(turned)[:1]:
        raise _fail(readings, int(i), f"position is {readings.position_deg[i]:g}°: 0 to 360")


def _check_time(readings: Readings) -> None:
    if not readings.series_names:
        groups = [np.arange(len(readings))]
    else:
        groups = [
            np.flatnonzero(readings.series == s) for s in range(len(readings.series_names))
        ]
    for group in groups:
        known = group[~np.isnan(readings.time_s[group])]
        back = np.flatnonzero(np.diff(readings.time_s[known]) < 0.0)
        if len(back):
            i = known[back[0] + 1]
            before = readings.time_s[known[back[0]]]
            msg = f"time_s is {readings.time_s[i]:g} after {before:g}: out of order"
            raise _fail(readings, int(i), msg)


def _check_series(readings: Readings) -> None:
    for group in _groups(readings):
        loaded = group[readings.applied[group] != 0.0]
        if len(group) == 1 or len(loaded) == 1:
            name = readings.series_names[int(readings.series[group[0]])]
            what = "one reading" if len(group) == 1 else "one reading under force"
            msg = f"series {name} has only {what}: a series needs at least two"
            raise _fail(readings, int(loaded[0] if len(loaded) else group[0]), msg)


def _infer_directions(readings: Readings) -> Readings:
    """Rising then falling within a series follows from the forces; anything else stays open."""
    if "direction" in readings.columns:
        return readings
    direction = readings.direction.copy()
    for group in _groups(readings):
        if len(group) == 0:  # preloads alone
            continue
        size = np.abs(readings.applied[group])
        signs = np.sign(readings.applied[group])
        if signs.min() < 0 < signs.max():
            continue
        peak = int(np.argmax(size))
        if np.all(np.diff(size[: peak + 1]) >= 0.0) and np.all(np.diff(size[peak:]) <= 0.0):
            last_peak = len(size) - 1 - int(np.argmax(size[::-1]))
            direction[group[: last_peak + 1]] = 1
            direction[group[last_peak + 1 :]] = -1
    return replace(readings, direction=direction)


def _check_order(readings: Readings) -> None:
    stated = "direction" in readings.columns
    level = _levels(readings)
    for group in _groups(readings):
        steps = [int(i) for i in group if level[i]]
        for a, b in itertools.pairwise(steps):
            if not _same_step(readings, a, b):
                continue
            if level[a] == level[b]:
                raise _duplicate(readings, a, b)
        if stated:
            _check_ways(readings, group, level)
        _check_far_duplicates(readings, steps, level)


def _levels(readings: Readings) -> NDArray[np.int64]:
    """(n,) which force of the plan each used step is, signed, from ±1; 0 for all else."""
    level = np.zeros(len(readings), dtype=np.int64)
    steps = readings.used & ~readings.held
    for sign in (1, -1):
        here = np.flatnonzero(steps & (np.sign(readings.applied) == sign))
        if len(here):
            level[here] = sign * (force_levels(readings.applied[here])[1] + 1)
    return level


def _place(readings: Readings, i: int) -> float:
    """Position for comparing; −1 where not stated, since NaN equals nothing."""
    position = float(readings.position_deg[i])
    return -1.0 if math.isnan(position) else position


def _same_step(readings: Readings, a: int, b: int) -> bool:
    return bool(
        readings.direction[a] == readings.direction[b]
        and _place(readings, a) == _place(readings, b)
        and np.sign(readings.applied[a]) == np.sign(readings.applied[b])
    )


def _duplicate(readings: Readings, a: int, b: int) -> ReadingsError:
    name = readings.series_names[int(readings.series[b])]
    msg = (
        f"duplicate step: {readings.applied[b]:g} {readings.force_unit} was already applied in"
        f" series {name} (row {readings.row[a]}); a repeat needs its reason in repeat_reason, a"
        f" force held to see creep kind {HOLD}, a force read again on the way down its direction"
    )
    return _fail(readings, b, msg)


def _check_ways(readings: Readings, group: NDArray[np.intp], level: NDArray[np.int64]) -> None:
    """Each step of a series against what stood before it, a zero too: up is up."""
    in_turn = [int(i) for i in group if level[i] or readings.applied[i] == 0.0]
    for a, b in itertools.pairwise(in_turn):
        change = abs(level[b]) - abs(level[a])
        if level[b] and level[a] * level[b] >= 0 and change * readings.direction[b] < 0:
            word = "up" if readings.direction[b] > 0 else "down"
            msg = (
                f"out of order: {readings.applied[b]:g} {readings.force_unit} follows"
                f" {readings.applied[a]:g} (row {readings.row[a]}) although the direction is"
                f" {word}"
            )
            raise _fail(readings, b, msg)


def _check_far_duplicates(
    readings: Readings, steps: Sequence[int], level: NDArray[np.int64]
) -> None:
    seen: dict[tuple[int, float, int], int] = {}
    for i in steps:
        if not readings.direction[i]:
            continue
        key = (int(level[i]), _place(readings, i), int(readings.direction[i]))
        if key in seen:
            raise _duplicate(readings, seen[key], i)
        seen[key] = i


def _check_spread(readings: Readings) -> None:
    used = np.flatnonzero(readings.used)
    if len(used) == 0:
        raise _fail(readings, 0, "no reading is left to use")
    applied, reading = readings.applied[used], readings.reading[used]
    if not np.any(applied):
        raise _fail(readings, int(used[0]), "no force was applied: every force is 0")
    least = SMALLEST_FORCE * float(np.max(np.abs(applied)))
    for i in used[(applied != 0.0) & (np.abs(applied) < least)][:1]:
        msg = f"applied is {readings.applied[i]:g}: neither 0 nor a force beside the others"
        raise _fail(readings, int(i), msg)
    if np.all(readings.held[used[applied != 0.0]]):
        msg = (
            f"every reading under force is of kind {HOLD}: a curve rests on steps, a hold only"
            " shows creep"
        )
        raise _fail(readings, int(used[applied != 0.0][0]), msg)
    if len(used) == 1:
        raise _fail(readings, int(used[0]), "only one reading: a calibration needs more")
    if np.all(applied == applied[0]):
        msg = f"every applied force is {applied[0]:g}: a calibration needs different forces"
        raise _fail(readings, int(used[-1]), msg)
    if np.all(reading == reading[0]):
        msg = f"every reading is {reading[0]:g}: the cell does not answer to force"
        raise _fail(readings, int(used[-1]), msg)


def _check_largest(readings: Readings) -> None:
    force_kN = np.abs(readings.applied) * readings.kN_per_unit
    for i in np.flatnonzero(force_kN > LARGEST_FORCE_kN)[:1]:
        msg = (
            f"applied is {readings.applied[i]:g} {readings.force_unit}, beyond"
            f" {LARGEST_FORCE_kN:g} kN: another unit, or force and reading exchanged"
        )
        raise _fail(readings, int(i), msg)


def _check_lone_sign(readings: Readings) -> None:
    """A force that pulls between two that push, or the other way about, within one series."""
    for group in _groups(readings):
        loaded = group[readings.applied[group] != 0.0]
        sign = np.sign(readings.applied[loaded])
        lone = (sign[1:-1] != sign[:-2]) & (sign[1:-1] != sign[2:])
        for k in np.flatnonzero(lone)[:1]:
            before, here, after = readings.applied[loaded[k : k + 3]]
            msg = f"applied is {here:g} between {before:g} and {after:g}: a wrong sign"
            raise _fail(readings, int(loaded[k + 1]), msg)


def _check_clipping(readings: Readings) -> None:
    """Readings that stop at one value while the force goes on rising are saturated."""
    used = readings.used & ~readings.held
    for sign in (1.0, -1.0):
        inside = np.flatnonzero(used & (np.sign(readings.applied) == sign))
        force = np.abs(readings.applied[inside])
        largest = float(np.max(force, initial=0.0))
        below = force[force < (1.0 - PLAIN_RISE) * largest]
        if len(np.unique(below)) < 2:
            continue
        top = inside[force >= np.max(below)]
        values = readings.reading[top]
        if len(np.unique(values)) == 1:
            msg = (
                f"reading stays at {values[0]:g} although the force rises to"
                f" {largest:g} {readings.force_unit}: saturated or stuck"
            )
            raise _fail(readings, int(top[-1]), msg)


def _check_sign(readings: Readings) -> None:
    """Both ways of deflection under forces of one sign: compression lost its minus."""
    used = readings.used
    zeros = readings.reading[used & (readings.applied == 0.0)]
    loaded = np.flatnonzero(used & (readings.applied != 0.0))
    signs = np.sign(readings.applied[loaded])
    if len(zeros) == 0 or len(np.unique(signs)) != 1:
        return
    deflection = readings.reading[loaded] - float(np.median(zeros))
    # Most of them go the right way; of as many each way, the first.
    main = np.sign(np.sum(np.sign(deflection))) or np.sign(deflection[0])
    against = deflection * main
    largest = float(np.max(np.abs(deflection)))
    wrong = np.flatnonzero(against < -0.05 * largest)
    if len(wrong):
        i = int(loaded[wrong[0]])
        msg = (
            f"the reading goes the other way under {readings.applied[i]:g}"
            f" {readings.force_unit} although the force has the same sign: write tension +"
            " and compression −"
        )
        raise _fail(readings, i, msg)
