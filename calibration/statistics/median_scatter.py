"""Scatter by the median: a few strays do not widen it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

__all__ = ["normal_sd"]

_OF_MEDIAN: Final = 1.4826
"""A normal distribution's standard deviation over the median size of its deviations: one over its
quantile at three quarters."""


def normal_sd(deviations: ArrayLike) -> float:
    """Standard deviation of normal (n,) deviates, by the median of their size; NaN for none.

    The middle they are taken from is the caller's, and so is what differences of them add.
    """
    size = np.abs(np.asarray(deviations, np.float64))
    return _OF_MEDIAN * float(np.median(size)) if size.size else float("nan")
