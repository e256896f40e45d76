"""Half of falling less rising at each force: how far either stands from the curve midway."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.readings.load_series import LoadSeries

__all__ = ["FrictionLoop", "HalfLoop", "ellipse", "group_of", "half_loop", "level_means"]

WIDEST_GAP: Final = 0.3
"""Share of the largest force: farther apart, what lies between two forces is not known."""


@dataclass(frozen=True, slots=True)
class FrictionLoop:
    """A half-loop that is friction: a line over force, not closed at either end."""

    at_none: float
    """Deflection at no force; magnitude."""
    per_share: float
    """Deflection more at the largest force."""

    def at(self, share: NDArray[np.float64]) -> NDArray[np.float64]:
        """(m,) magnitude at shares of the largest force, never below 0."""
        return np.asarray(np.maximum(self.at_none + self.per_share * share, 0.0))


@dataclass(frozen=True, slots=True)
class HalfLoop:
    """One sense; deflections with their sign."""

    at: NDArray[np.float64]
    """(levels,) half of falling less rising deflection; NaN where not taken both ways."""
    pairs: NDArray[np.float64]
    """(levels,) how many pairs of a rising and a falling reading each is the mean of."""
    friction: FrictionLoop | None
    """Where the element is held by friction, and rising and falling readings show how."""

    shares: NDArray[np.float64]
    """(levels,) magnitudes as shares of the largest force."""

    @property
    def known(self) -> bool:
        """Whether it is measured: no part of the range lies far from a force taken both ways.

        A loop may be wide anywhere: a few falling forces near one another show how wide it is
        there, and nothing of the rest.
        """
        return self.friction is not None or float(np.max(np.diff(self._ends))) <= WIDEST_GAP

    @property
    def _ends(self) -> NDArray[np.float64]:
        """Where it is known: closed at no and at the largest force."""
        inner = self.shares[~np.isnan(self.at)]
        return np.concatenate(([0.0], inner[(inner > 0.0) & (inner < 1.0)], [1.0]))

    @property
    def widest(self) -> float:
        """The largest half-loop seen, magnitude; 0 where none was."""
        return float(np.max(np.abs(self.at[~np.isnan(self.at)]), initial=0.0))

    def taken_out(self, loads: LoadSeries) -> NDArray[np.float64]:
        """(n,) deflections as they would be midway between rising and falling."""
        shift = self._filled(loads)[loads.level_of] * (
            loads.force / loads.levels[loads.level_of]
        )
        return np.asarray(loads.deflection + loads.direction * shift)

    def _filled(self, loads: LoadSeries) -> NDArray[np.float64]:
        """(levels,) with what was not taken both ways interpolated; 0 at no and at most force."""
        if not self.known:
            return np.zeros(len(loads.levels))
        known = ~np.isnan(self.at)
        force = np.abs(loads.levels)
        if self.friction is not None:
            sign = np.sign(loads.mean_at_levels()[-1])
            return np.asarray(sign * self.friction.at(force / loads.largest))
        x, y = np.append(0.0, force[known]), np.append(0.0, self.at[known])
        if not known[-1]:
            x, y = np.append(x, force[-1]), np.append(y, 0.0)
        return np.asarray(np.interp(force, x, y))

    def envelope(
        self, loads: LoadSeries, share: NDArray[np.float64], *, noise: float, friction: bool
    ) -> NDArray[np.float64]:
        """(m,) magnitude of the half-loop at shares of the largest force, in deflection.

        ``noise`` is the standard deviation of one reading, deflection: what it accounts for is
        taken out. A loop closes at no and at the largest force; friction does not, and what a
        loop stands wider than the law of friction anywhere, it is taken to stand everywhere.
        """
        known = ~np.isnan(self.at)
        if self.friction is not None:
            law = self.friction.at(np.abs(loads.levels[known]) / loads.largest)
            sure = 2.0 * noise / np.sqrt(2.0 * np.maximum(self.pairs[known], 1.0))
            beyond = np.max(np.abs(self.at[known]) - law - sure, initial=0.0)
            return self.friction.at(share) + max(float(beyond), 0.0)
        spread = noise**2 / (2.0 * np.maximum(self.pairs[known], 1.0))
        size = np.sqrt(np.maximum(self.at[known] ** 2 - spread, 0.0))
        if friction:
            return np.full(share.shape, float(np.max(size)))
        at = np.abs(loads.levels[known]) / loads.largest
        x, y = np.append(0.0, at), np.append(0.0, size)
        if x[-1] < 1.0:
            x, y = np.append(x, 1.0), np.append(y, 0.0)
        return np.asarray(np.interp(share, x, y) + _bulge(share, x, y))


def _bulge(
    share: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    """How far a curve through the points that bends one way can lie above its chords.

    Between two points it stays below the chords on either side, each drawn on. At either end
    there is one such chord: half way it is believed, and the curve closes with the end.
    """
    if len(x) < 4:
        return np.zeros_like(share)
    slope = np.diff(y) / np.diff(x)
    last = len(slope) - 1
    i = np.clip(np.searchsorted(x, share, side="right") - 1, 0, last)
    u = (share - x[i]) / (x[i + 1] - x[i])
    left = slope[np.maximum(i - 1, 0)] - slope[i]
    right = slope[i] - slope[np.minimum(i + 1, last)]
    width = x[i + 1] - x[i]
    inner = np.minimum(left * u, right * (1.0 - u))
    ends = 0.5 * np.where(i == 0, right, left) * 4.0 * u * (1.0 - u)
    bulge = np.where((i == 0) | (i == last), ends, inner) * width
    return np.asarray(np.maximum(bulge, 0.0))


def ellipse(share: NDArray[np.float64]) -> NDArray[np.float64]:
    """A loop that closes at both ends, 1 at half load (from experience)."""
    return np.asarray(2.0 * np.sqrt(np.clip(share * (1.0 - share), 0.0, None)))


def group_of(loads: LoadSeries) -> NDArray[np.int64]:
    """(n,) index of the series and position each reading under force belongs to."""
    return _index(loads.series, loads.place)


def half_loop(loads: LoadSeries, friction: FrictionLoop | None = None) -> HalfLoop:
    """Half of falling less rising at each level; ``friction`` where that is its law.

    Both of one series where it was taken both ways, else both of one position, else whatever
    there is: a difference between positions is not part of the loop.
    """
    at = np.full(len(loads.levels), math.nan)
    pairs = np.zeros(len(loads.levels))
    for keys in (group_of(loads), _index(loads.place), np.zeros(len(loads.force), np.int64)):
        sums, count = _differences(loads, keys)
        fresh = np.isnan(at) & (count > 0)
        at[fresh] = 0.5 * sums[fresh] / count[fresh]
        pairs[fresh] = count[fresh]
    return HalfLoop(at, pairs, friction, np.abs(loads.levels) / loads.largest)


def _differences(
    loads: LoadSeries, keys: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(levels,) sum over keys of falling less rising mean, and the number of keys with both."""
    levels, n = len(loads.levels), int(np.max(keys)) + 1
    values, cell = loads.at_level_force(), keys * levels + loads.level_of
    means = []
    for direction in (1, -1):
        here = loads.direction == direction
        count = np.bincount(cell[here], minlength=n * levels)
        total = np.bincount(cell[here], weights=values[here], minlength=n * levels)
        means.append(np.where(count > 0, total / np.maximum(count, 1), np.nan))
    difference = (means[1] - means[0]).reshape(n, levels)
    both = ~np.isnan(difference)
    return np.sum(np.where(both, difference, 0.0), axis=0), np.sum(both, axis=0, dtype=float)


def level_means(loads: LoadSeries, midway: NDArray[np.float64]) -> NDArray[np.float64]:
    """(levels,) means of deflections with the half-loop taken out, each position alike."""
    weights = position_weights(loads)
    index = loads.level_of
    scaled = midway * (loads.levels[index] / loads.force)
    total = np.bincount(index, weights=weights * scaled, minlength=len(loads.levels))
    return np.asarray(total / np.bincount(index, weights=weights, minlength=len(loads.levels)))


def position_weights(loads: LoadSeries) -> NDArray[np.float64]:
    """(n,) weights by which at each level every position, and in it each direction, count alike."""
    cell = _index(loads.level_of, loads.place, loads.direction)
    place = _index(loads.level_of, loads.place)
    in_cell = np.bincount(cell)
    # Directions within a place, places within a level: each counted once.
    first = np.unique(cell, return_index=True)[1]
    directions = np.bincount(place[first], minlength=int(np.max(place)) + 1)
    first = np.unique(place, return_index=True)[1]
    places = np.bincount(loads.level_of[first], minlength=len(loads.levels))
    return np.asarray(
        1.0 / (in_cell[cell] * directions[place] * places[loads.level_of]), dtype=np.float64
    )


def _index(*columns: NDArray[np.int64] | NDArray[np.int8]) -> NDArray[np.int64]:
    stacked = np.column_stack(columns)
    return np.asarray(np.unique(stacked, axis=0, return_inverse=True)[1]).reshape(-1)
