"""A quantity along the line, piecewise linear, with steps and unknown stretches, and its
exact integrals.

Grade is piecewise linear (constant between changes, linear in a parabolic vertical curve), so
elevation is piecewise quadratic; curvature is constant in a curve and linear in its spirals.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["Profile"]


class Profile:
    """Piecewise linear y(s) on [s[0], s[-1]]; a stretch whose ends are NaN is not known.

    Parameters
    ----------
    s_m : (n + 1,) float64
        Bounds of the stretches, strictly increasing, metres.
    left, right : (n,) float64
        Value at the beginning and the end of each stretch. Steps between stretches are allowed.

    Raises
    ------
    ValueError
        The bounds do not increase or the shapes do not agree.
    """

    def __init__(self, s_m: ArrayLike, left: ArrayLike, right: ArrayLike) -> None:
        self.s_m = np.asarray(s_m, dtype=np.float64)
        given_left = np.asarray(left, dtype=np.float64)
        given_right = np.asarray(right, dtype=np.float64)
        n = self.s_m.size - 1
        if n < 1 or given_left.shape != (n,) or given_right.shape != (n,):
            msg = f"a profile of {n + 1} bounds needs {n} stretches, got {given_left.shape}"
            raise ValueError(msg)
        if np.any(~(np.diff(self.s_m) > 0)):
            msg = "the bounds of a profile must increase"
            raise ValueError(msg)
        self.known = np.isfinite(given_left) & np.isfinite(given_right)
        self.left = np.where(self.known, given_left, 0.0)
        self.right = np.where(self.known, given_right, 0.0)
        length = np.diff(self.s_m)
        self._slope = (self.right - self.left) / length
        area = 0.5 * (self.left + self.right) * length
        self._area = np.concatenate(([0.0], np.cumsum(area)))
        self._unknown = np.concatenate(([0.0], np.cumsum(np.where(self.known, 0.0, length))))

    def _locate(self, s_m: ArrayLike) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        s = np.asarray(s_m, dtype=np.float64)
        index = np.searchsorted(self.s_m, s, side="right") - 1
        return np.clip(index, 0, self.s_m.size - 2), s

    def value(self, s_m: ArrayLike) -> NDArray[np.float64]:
        """Value at each position (shape of `s_m`); NaN where not known or off the profile."""
        i, s = self._locate(s_m)
        y = self.left[i] + self._slope[i] * (s - self.s_m[i])
        off = (s < self.s_m[0]) | (s > self.s_m[-1]) | ~self.known[i]
        return np.where(off, np.nan, y)

    def integral(self, s_m: ArrayLike) -> NDArray[np.float64]:
        """Integral from the first bound to each position, exact; unknown stretches count as 0.

        Off the ends the integral stays what it is there.
        """
        i, s = self._locate(s_m)
        x = np.clip(s, self.s_m[0], self.s_m[-1]) - self.s_m[i]
        return np.asarray(self._area[i] + x * (self.left[i] + 0.5 * self._slope[i] * x))

    def unknown_length(self, a_m: ArrayLike, b_m: ArrayLike) -> NDArray[np.float64]:
        """Metres between `a_m` and `b_m` (a ≤ b) that are not known or off the profile."""
        a, b = np.asarray(a_m, dtype=np.float64), np.asarray(b_m, dtype=np.float64)
        first, last = self.s_m[0], self.s_m[-1]
        outside = (b - a) - np.maximum(np.minimum(b, last) - np.maximum(a, first), 0.0)
        return np.asarray(outside + self._unknown_to(b) - self._unknown_to(a))

    def _unknown_to(self, s_m: NDArray[Any]) -> NDArray[np.float64]:
        i, s = self._locate(s_m)
        x = np.clip(s, self.s_m[0], self.s_m[-1]) - self.s_m[i]
        return np.asarray(self._unknown[i] + np.where(self.known[i], 0.0, x))

    def mean(self, a_m: ArrayLike, b_m: ArrayLike) -> NDArray[np.float64]:
        """Exact mean from `a_m` to `b_m` (a < b); NaN where any of it is not known."""
        a, b = np.asarray(a_m, dtype=np.float64), np.asarray(b_m, dtype=np.float64)
        value = (self.integral(b) - self.integral(a)) / (b - a)
        return np.where(self.unknown_length(a, b) > _LENGTH_SLACK_M, np.nan, value)

    def mapped(self, left: NDArray[Any], right: NDArray[Any]) -> Profile:
        """Return a profile on the same bounds with other values; unknown stays unknown."""
        return Profile(
            self.s_m,
            np.where(self.known, left, np.nan),
            np.where(self.known, right, np.nan),
        )


_LENGTH_SLACK_M = 1e-3
"""A millimetre of unknown track is rounding, not ignorance."""
