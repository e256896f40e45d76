"""The highest of many noisy means stands high by its noise: by how much, and how sure that is.

What was picked for being highest is likely to owe some of it to its noise. With independent
noise of variance σ² the expected level behind a reading y is ``y + σ²·d(log f)/dy``, f being the
density of all readings (Tweedie's formula, of which B. Efron, Tweedie's formula and selection
bias, Journal of the American Statistical Association 106, 2011, from memory, shows that picking
the highest changes nothing in it). Beyond a high reading the density of what exceeds it falls
off exponentially (J. Pickands, Annals of Statistics 3, 1975, from memory), with the rate λ: the
highest is ``σ²·λ`` too high, and σ² stays its variance. The rate is read from the highest few
means that have noise of their own and that noise alone may have put below the highest. It is at
most that of noise alone, which lifts the highest of so many rivals by their expected greatest
normal deviate.

Noise of several independent parts lifts by the sum: each by its own variance, and by the rate
among means that are so far apart that this part of them is another.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.special import ndtri

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.uncertainty.wander import NoisePart

__all__ = ["stands_high"]

SPACINGS: Final = 4
"""Of the highest means, between the first and the fifth: enough to tell one hump from many, few
enough to stay in the tail (usual for extremes is the root of the number, here of some
tens)."""
RIVAL_SD: Final = 3.0 * math.sqrt(2.0)
"""Standard deviations of the noise below the highest: three of a difference of two means. What is
lower was lower in truth, and tells nothing of how close the others are to each other."""
LEAST_SHARE: Final = 1e-3
"""Parts of the noise below this share of its variance lift by nothing that is seen."""


def stands_high(
    means: NDArray[np.float64], step_s: float, noise: Sequence[NoisePart]
) -> tuple[float, float]:
    """By how much the highest mean is expected to stand too high, and the standard uncertainty
    of that, in the unit of the means; what the noise itself is worth is not in it.

    Parameters
    ----------
    means : (n,) running means at even steps, NaN where there is none
    step_s : from one to the next
    noise : independent parts of their noise
    """
    whole = math.sqrt(math.fsum(part.variance for part in noise))
    high = u = 0.0
    for part in noise:
        if part.variance > LEAST_SHARE * whole**2:
            rate, u_rate = _rate(means, part.apart_s / step_s, whole)
            high += part.variance * rate
            # One tail is read: the parts' rates are high together.
            u += part.variance * u_rate
    # Down to the mean of all at most: in that the noise is averaged out.
    above = max(float(np.nanmax(means) - np.nanmean(means)), 0.0)
    return (high, u) if high <= above else (above, u * above / high)


def _rate(means: NDArray[np.float64], apart: float, sd: float) -> tuple[float, float]:
    """Rate at which means ``apart`` steps from each other fall off, one over their unit, and
    its standard uncertainty: that of a rate read from so few.
    """
    steps = max(1, round(apart))
    near = means > np.nanmax(means) - RIVAL_SD * sd
    most = _greatest_of(_number(np.flatnonzero(near), steps))
    highest = _highest(np.where(near, means, np.nan), steps)
    number = len(highest) - 1
    if number < 1 or most <= 0.0:
        return 0.0, 0.0
    # Spacings of an exponential tail, each times its rank, are as good as independent readings
    # of it (A. Rényi 1953, from memory); their sum is that of the excesses over the last.
    excess = float(np.sum(highest[:-1] - highest[-1]))
    rate = number / max(excess, number * sd / most)
    return rate, rate / math.sqrt(number)


def _number(places: NDArray[np.int64], apart: int) -> int:
    """How many of the places, rising, lie so far from each other."""
    count = at = 0
    while at < len(places):
        count += 1
        at = int(np.searchsorted(places, places[at] + apart))
    return count


def _greatest_of(count: int) -> float:
    """Expected greatest of so many normal deviates (G. Blom 1958, from memory)."""
    return max(float(ndtri((count - 0.375) / (count + 0.25))), 0.0)


def _highest(means: NDArray[np.float64], apart: int) -> NDArray[np.float64]:
    """The highest means, falling, each so many steps from those before it."""
    left = np.where(np.isfinite(means), means, -np.inf)
    out: list[float] = []
    while len(out) <= SPACINGS:
        k = int(np.argmax(left))
        if left[k] == -np.inf:
            break
        out.append(float(left[k]))
        left[max(k - apart + 1, 0) : k + apart] = -np.inf
    return np.array(out)
