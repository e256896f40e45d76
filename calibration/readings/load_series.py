"""Bench readings put in order: zero taken off, grouped into branches and force levels.

A branch is the rising or the falling part of one series at one position. The deflection of a
reading is the reading less the last zero reading before it (the first after it, when none was
taken before). Where no zero was read at all, one extrapolated from the curve may be given, and
is taken off instead; without it deflections are the readings themselves. What needs a zero that
was read is left unassessed either way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Self

import numpy as np

from calibration.readings.positions import position_index
from calibration.readings.readings import HOLD, Readings, ReadingsError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["LEVEL_TOLERANCE", "Branch", "LoadSeries", "force_levels", "load_series", "senses"]

LEVEL_TOLERANCE: Final = 0.002
"""Applied forces closer than this fraction of the largest are one level of the plan."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Branch:
    """One series at one position in one direction."""

    series: int
    place: int
    """As in ``LoadSeries``."""
    position_deg: float
    """Its first reading's; NaN where not stated."""
    direction: int
    first_row: int
    at: NDArray[np.float64]
    """(levels,) mean deflection at each level, brought to the level's force; NaN where none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSeries:
    """One sense of loading; every array in the file's own units, signs as applied."""

    readings: Readings
    """All readings of the sense that are used, zeros and holds included."""
    sense: int
    """+1 tension, −1 compression."""
    force: NDArray[np.float64]
    """(n,) applied force of the loaded readings."""
    deflection: NDArray[np.float64]
    """(n,) zero taken off."""
    direction: NDArray[np.int8]
    """(n,) +1 rising, −1 falling, 0 not known."""
    raw_force: NDArray[np.float64]
    """(n + z,) applied forces, zeros of the sense included, in the order taken."""
    raw_reading: NDArray[np.float64]
    """(n + z,) readings as indicated."""
    temperature_C: NDArray[np.float64]
    """(n,) NaN where not stated."""
    series: NDArray[np.int64]
    """(n,) index into the names of series; 0 everywhere where none was stated."""
    position_deg: NDArray[np.float64]
    """(n,) NaN where not stated."""
    place: NDArray[np.int64]
    """(n,) which position each was taken at, by the order taken; −1 where not stated."""
    levels: NDArray[np.float64]
    """(levels,) distinct forces, by rising magnitude."""
    level_of: NDArray[np.int64]
    """(n,) index into levels."""
    branches: tuple[Branch, ...]
    """In the order taken; empty when no series was stated."""
    zeros: NDArray[np.float64]
    """(z,) zero readings of the steps, as indicated."""
    zero_before: NDArray[np.float64]
    """(s,) zero before each series of steps; NaN where none."""
    zero_after: NDArray[np.float64]
    """(s,) zero after each series of steps; NaN where none."""

    @property
    def has_zero(self) -> bool:
        return len(self.zeros) > 0

    @property
    def largest(self) -> float:
        """Magnitude of the largest level's force."""
        return float(abs(self.levels[-1]))

    def mean_at_levels(self, mask: NDArray[np.bool_] | None = None) -> NDArray[np.float64]:
        """(levels,) mean deflection at each level over the masked readings; NaN where none."""
        where = np.ones(len(self.force), dtype=np.bool_) if mask is None else mask
        index = self.level_of[where]
        count = np.bincount(index, minlength=len(self.levels))
        total = np.bincount(
            index, weights=self.at_level_force()[where], minlength=len(self.levels)
        )
        with np.errstate(invalid="ignore"):
            return np.asarray(np.where(count > 0, total / np.maximum(count, 1), np.nan))

    def at_level_force(self) -> NDArray[np.float64]:
        """(n,) deflections brought in proportion from the applied to the level's force."""
        return np.asarray(self.deflection * (self.levels[self.level_of] / self.force))

    @property
    def full_scale(self) -> float:
        """Magnitude of the mean deflection at the largest force."""
        return float(abs(self.mean_at_levels()[-1]))

    def beyond(self, deflection: float) -> Self:
        """The readings, levels and branches whose deflection is at least so large.

        For a spring that a preload holds at small forces; zeros stay.
        """
        kept = np.abs(self.deflection) >= deflection
        levels = np.unique(self.level_of[kept])
        place = np.full(len(self.levels), -1)
        place[levels] = np.arange(len(levels))
        branches = tuple(
            replace(b, at=np.where(np.abs(b.at) >= deflection, b.at, np.nan)[levels])
            for b in self.branches
        )
        return replace(
            self,
            force=self.force[kept],
            deflection=self.deflection[kept],
            direction=self.direction[kept],
            temperature_C=self.temperature_C[kept],
            series=self.series[kept],
            position_deg=self.position_deg[kept],
            place=self.place[kept],
            levels=self.levels[levels],
            level_of=place[self.level_of[kept]],
            branches=branches,
        )


def senses(readings: Readings) -> tuple[int, ...]:
    """Which senses were loaded: +1, −1 or both, tension first."""
    used = readings.applied[readings.used]
    return tuple(s for s in (1, -1) if bool(np.any(np.sign(used) == s)))


def load_series(readings: Readings, sense: int, *, unread_zero: float = 0.0) -> LoadSeries:
    """The used readings of one sense, put in order.

    ``unread_zero`` is the reading at no force, taken off where no zero was read.

    Raises
    ------
    ReadingsError
        No reading under force of that sense.
    """
    zero_of = _zero_of(readings, _zeros_of_steps(readings))
    used = readings.used & (readings.applied * sense >= 0.0)
    loaded = used & (readings.applied != 0.0)
    # A hold shows how the cell settles; curve and classes rest on the steps alone.
    main = loaded & ~readings.held
    zeros = _zeros_of_steps(readings)
    if not np.any(main):
        word = "tension" if sense > 0 else "compression"
        msg = f"{readings.source}: no reading under force in {word} but holds (kind {HOLD})"
        raise ReadingsError(msg)
    deflection = readings.reading - np.where(np.isnan(zero_of), unread_zero, zero_of)
    force = readings.applied[main]
    levels, level_of = force_levels(force)
    place = position_index(readings.position_deg[main])
    before, after = _series_zeros(readings, sense)
    return LoadSeries(
        readings=readings.pick(used),
        sense=sense,
        force=force,
        deflection=deflection[main],
        direction=readings.direction[main],
        raw_force=readings.applied[main | zeros],
        raw_reading=readings.reading[main | zeros],
        temperature_C=readings.temperature_C[main],
        series=readings.series[main],
        position_deg=readings.position_deg[main],
        place=place,
        levels=levels,
        level_of=level_of,
        branches=_branches(readings, main, deflection, place, levels, level_of),
        zeros=readings.reading[zeros],
        zero_before=before,
        zero_after=after,
    )


def _zero_of(readings: Readings, is_zero: NDArray[np.bool_]) -> NDArray[np.float64]:
    """(n,) the zero that belongs to each reading; NaN everywhere when none was read."""
    index = np.arange(len(readings))
    if not np.any(is_zero):
        return np.full(len(readings), np.nan)
    last = np.maximum.accumulate(np.where(is_zero, index, -1))
    first = int(np.flatnonzero(is_zero)[0])
    return np.asarray(readings.reading[np.where(last < 0, first, last)])


def _zeros_of_steps(readings: Readings) -> NDArray[np.bool_]:
    """(n,) zeros that belong to the steps: none of a hold, none of a series of holds alone."""
    used, held = readings.used, readings.held
    loaded = used & (readings.applied != 0.0)
    stepped = np.unique(readings.series[loaded & ~held])
    only_held = np.setdiff1d(np.unique(readings.series[loaded & held]), stepped)
    return np.asarray(
        used & ~held & (readings.applied == 0.0) & ~np.isin(readings.series, only_held)
    )


def force_levels(force: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Levels (levels,) of forces of one sign (n,), and which of them each force is (n,)."""
    distinct, inverse = np.unique(np.abs(force), return_inverse=True)
    gap = LEVEL_TOLERANCE * distinct[-1]
    # Within a tenth of the smallest force as well, or low levels would run together.
    apart = np.diff(distinct) > np.minimum(gap, 0.1 * distinct[:-1])
    group = np.concatenate(([0], np.cumsum(apart)))
    starts = np.concatenate(([0], np.flatnonzero(apart) + 1))
    spans = distinct[np.append(starts[1:], len(distinct)) - 1] - distinct[starts]
    if np.any(spans > 2.0 * gap):  # forces spread all along are not steps of a plan
        group = np.arange(len(distinct))
    label = group[inverse]
    count = np.bincount(label)
    levels = np.bincount(label, weights=np.abs(force)) / count
    # A level applied exactly keeps its exact value; a mean may round it.
    exact = np.bincount(group) == 1
    levels[exact] = distinct[np.searchsorted(group, np.flatnonzero(exact))]
    return np.sign(force[0]) * levels, label.astype(np.int64)


def _branches(
    readings: Readings,
    main: NDArray[np.bool_],
    deflection: NDArray[np.float64],
    place: NDArray[np.int64],
    levels: NDArray[np.float64],
    level_of: NDArray[np.int64],
) -> tuple[Branch, ...]:
    if not readings.series_names:
        return ()
    index = np.flatnonzero(main)
    scaled = deflection[index] * (levels[level_of] / readings.applied[index])
    keys = list(
        zip(
            readings.series[index].tolist(),
            place.tolist(),
            readings.direction[index].tolist(),
            strict=True,
        )
    )
    branches = []
    for key in dict.fromkeys(keys):
        here = np.array([k == key for k in keys])
        count = np.bincount(level_of[here], minlength=len(levels))
        total = np.bincount(level_of[here], weights=scaled[here], minlength=len(levels))
        at = np.where(count > 0, total / np.maximum(count, 1), np.nan)
        branches.append(
            Branch(
                series=key[0],
                place=key[1],
                position_deg=float(readings.position_deg[index[here]][0]),
                direction=key[2],
                first_row=int(np.min(readings.row[index[here]])),
                at=at,
            )
        )
    return tuple(branches)


def _series_zeros(
    readings: Readings, sense: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Zero readings before and after the loads of each series (one series when not stated).

    A series that begins or ends without a zero of its own takes the nearest in the file.
    """
    used = readings.used & ~readings.held
    is_zero = _zeros_of_steps(readings)
    before, after = [], []
    for s in range(max(1, len(readings.series_names))):
        loads = np.flatnonzero(
            used & (readings.series == s) & (np.sign(readings.applied) == sense)
        )
        if len(loads) == 0:
            continue
        earlier = np.flatnonzero(is_zero[: loads[0]])
        later = loads[-1] + 1 + np.flatnonzero(is_zero[loads[-1] + 1 :])
        before.append(readings.reading[earlier[-1]] if len(earlier) else np.nan)
        after.append(readings.reading[later[0]] if len(later) else np.nan)
    return np.array(before, dtype=np.float64), np.array(after, dtype=np.float64)
