"""A quantity along the line, straight between nodes, with exact integrals."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["LineQuantity"]


@dataclass(frozen=True)
class LineQuantity:
    """Piecewise linear; level beyond its ends."""

    x: NDArray[np.float64]
    """(n,) strictly rising chainage, m; n ≥ 2."""
    y: NDArray[np.float64]
    """(n,) value at each node."""

    def __post_init__(self) -> None:
        if self.x.ndim != 1 or self.x.shape != self.y.shape or self.x.size < 2:
            msg = f"a profile needs two nodes or more, got {self.x.shape} and {self.y.shape}"
            raise ValueError(msg)
        if not np.all(np.diff(self.x) > 0.0):
            msg = "a profile's chainage must rise from node to node"
            raise ValueError(msg)

    @cached_property
    def _sums(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Slope of each piece; first and second integral at each node."""
        h = np.diff(self.x)
        slope = np.diff(self.y) / h
        first = np.concatenate(([0.0], np.cumsum(h * (self.y[:-1] + 0.5 * slope * h))))
        steps = first[:-1] * h + self.y[:-1] * h**2 / 2.0 + slope * h**3 / 6.0
        second = np.concatenate(([0.0], np.cumsum(steps)))
        return np.append(slope, 0.0), first, second

    def _place(
        self, x: ArrayLike
    ) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
        """Node to the left, metres past it, slope there (0 beyond the ends)."""
        at = np.asarray(x, dtype=np.float64)
        i = np.clip(np.searchsorted(self.x, at, side="right") - 1, 0, self.x.size - 1)
        past = at - self.x[i]
        slope = np.where(past < 0.0, 0.0, self._sums[0][i])
        return i, past, slope

    def value(self, x: ArrayLike) -> NDArray[np.float64]:
        """The quantity at (...) chainages, m."""
        return np.interp(np.asarray(x, dtype=np.float64), self.x, self.y)

    def integral(self, x: ArrayLike) -> NDArray[np.float64]:
        """∫ from the first node to (...) chainages; exact."""
        i, past, slope = self._place(x)
        return np.asarray(self._sums[1][i] + past * (self.y[i] + 0.5 * slope * past))

    def second_integral(self, x: ArrayLike) -> NDArray[np.float64]:
        """∫∫ from the first node to (...) chainages; exact."""
        i, past, slope = self._place(x)
        _, first, second = self._sums
        return np.asarray(
            second[i] + first[i] * past + self.y[i] * past**2 / 2.0 + slope * past**3 / 6.0
        )

    def mean(self, rear: ArrayLike, front: ArrayLike) -> NDArray[np.float64]:
        """Mean between (...) rear and front ends, front above rear."""
        span = np.asarray(front, dtype=np.float64) - np.asarray(rear, dtype=np.float64)
        return np.asarray((self.integral(front) - self.integral(rear)) / span)
