"""Checks of bench readings as a whole: what no calibration may be made from.

Each fault is one line with source and row. Repeated steps with a reason supersede the earlier
reading, which stays in the table.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from calibration.readings.readings import Readings, ReadingsError

__all__ = ["check_readings"]


def check_readings(readings: Readings, *, repeat_reasons: Sequence[str] = ()) -> Readings:
    """Check the readings, work out directions not stated, mark superseded ones.

    Raises
    ------
    ReadingsError
        Duplicate or out-of-order steps, time running backwards, a series of one reading, no
        force or all one force, readings that never change, stand at a limit, or go the wrong
        way for the sign of the force.
    """
    readings.check_shape()
    _check_time(readings)
    readings = _supersede(readings, repeat_reasons)
    _check_series(readings)
    readings = _infer_directions(readings)
    _check_order(readings, repeat_reasons)
    _check_spread(readings)
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


def _supersede(readings: Readings, reasons: Sequence[str]) -> Readings:
    superseded = readings.superseded.copy()
    last: dict[tuple[object, ...], int] = {}
    for i in range(len(readings)):
        if not readings.series_names or readings.kind[i] not in ("step", "zero"):
            continue
        key = (
            int(readings.series[i]),
            _place(readings, i),
            int(readings.direction[i]),
            float(readings.applied[i]),
        )
        before = last.get(key)
        if before is not None and reasons and reasons[i]:
            superseded[before] = True
        last[key] = i
    return replace(readings, superseded=superseded)


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


def _check_order(readings: Readings, reasons: Sequence[str]) -> None:
    stated = "direction" in readings.columns
    in_turn = np.array([not reason for reason in reasons] or [True] * len(readings))
    for group in _groups(readings):
        loaded = group[(readings.applied[group] != 0.0) & in_turn[group]]
        largest = float(np.max(np.abs(readings.applied[loaded]), initial=0.0))
        for a, b in itertools.pairwise(int(i) for i in loaded):
            if not _same_step(readings, a, b) or _is_hold(readings, a, b, largest):
                continue
            if readings.applied[a] == readings.applied[b]:
                raise _duplicate(readings, a, b)
            if stated:
                _check_step(readings, a, b)
        _check_far_duplicates(readings, loaded, largest)


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


def _is_hold(readings: Readings, a: int, b: int, largest: float) -> bool:
    """One force held to watch creep: at the largest force of the series, later in time."""
    return bool(readings.applied[a] == readings.applied[b]) and (
        readings.kind[b] == "creep"
        or bool(abs(readings.applied[b]) == largest and readings.time_s[b] > readings.time_s[a])
    )


def _duplicate(readings: Readings, a: int, b: int) -> ReadingsError:
    name = readings.series_names[int(readings.series[b])]
    msg = (
        f"duplicate step: {readings.applied[b]:g} {readings.force_unit} was already applied in"
        f" series {name} (row {readings.row[a]}); a repeat needs its reason in repeat_reason"
    )
    return _fail(readings, b, msg)


def _check_step(readings: Readings, a: int, b: int) -> None:
    change = abs(readings.applied[b]) - abs(readings.applied[a])
    if change * readings.direction[b] < 0.0:
        word = "up" if readings.direction[b] > 0 else "down"
        msg = (
            f"out of order: {readings.applied[b]:g} {readings.force_unit} follows"
            f" {readings.applied[a]:g} (row {readings.row[a]}) although the direction is {word}"
        )
        raise _fail(readings, b, msg)


def _check_far_duplicates(
    readings: Readings, loaded: np.ndarray[tuple[int], np.dtype[np.intp]], largest: float
) -> None:
    seen: dict[tuple[float, float, int], int] = {}
    before = -1
    for i in (int(k) for k in loaded):
        if not readings.direction[i]:
            continue
        key = (
            float(readings.applied[i]),
            _place(readings, i),
            int(readings.direction[i]),
        )
        held = before >= 0 and _is_hold(readings, before, i, largest)
        if key in seen and not held:
            raise _duplicate(readings, seen[key], i)
        seen[key], before = i, i


def _check_spread(readings: Readings) -> None:
    used = np.flatnonzero(readings.used)
    if len(used) == 0:
        raise _fail(readings, 0, "no reading is left to use")
    applied, reading = readings.applied[used], readings.reading[used]
    if not np.any(applied):
        raise _fail(readings, int(used[0]), "no force was applied: every force is 0")
    if len(used) == 1:
        raise _fail(readings, int(used[0]), "only one reading: a calibration needs more")
    if np.all(applied == applied[0]):
        msg = f"every applied force is {applied[0]:g}: a calibration needs different forces"
        raise _fail(readings, int(used[-1]), msg)
    if np.all(reading == reading[0]):
        msg = f"every reading is {reading[0]:g}: the cell does not answer to force"
        raise _fail(readings, int(used[-1]), msg)


def _check_clipping(readings: Readings) -> None:
    """Readings that stop at one value while the force goes on rising are saturated."""
    used = readings.used
    for sign in (1.0, -1.0):
        inside = np.flatnonzero(used & (np.sign(readings.applied) == sign))
        forces = np.unique(np.abs(readings.applied[inside]))
        if len(forces) < 3:
            continue
        top = inside[np.abs(readings.applied[inside]) >= forces[-2]]
        values = readings.reading[top]
        if len(np.unique(values)) == 1:
            msg = (
                f"reading stays at {values[0]:g} although the force rises to"
                f" {forces[-1]:g} {readings.force_unit}: saturated or stuck"
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
    order = loaded[np.argsort(-np.abs(deflection))]
    main = np.sign(readings.reading[order[0]] - np.median(zeros))
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
