"""What pieces of a run have in common that is neither the same for all nor each one's own: the
error of the surveyed slope along the line, that of the speed between two of them, and the slow
wander of the pull.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.dynamics.resistance import Correlated
from recorder.analysis.uncertainty.wander import USUAL, fit_wander

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Where", "grade_errors", "inertia_errors", "wander_errors"]

LEAST_M: Final = 1.0
"""A piece that hardly moved lies at one place."""
JOINED_S: Final = 1e-3
"""Rounding of times."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Where:
    """Where and when one piece was run."""

    run: str
    line: str
    """Whose metres these are: a surveyed line, else the run itself."""
    metres: tuple[float, float]
    """From and to; falling where the line was run backwards."""
    seconds: tuple[float, float]
    u_grade_N_per_t: float
    """What an error of the slope under the train acts with."""
    grade_length_m: float
    """Over which that error is one and the same."""
    pull_N_per_t: float
    u_inertia_N_per_t: float
    """What an error of the speed at its ends does."""
    usual_wander: float = USUAL
    """Of the run's pull, as a share: where it was seen on the locomotive's side, else as usual."""


def inertia_errors(pieces: Sequence[Where]) -> NDArray[np.float64]:
    """Covariance (n, n) of the pieces by errors of the speed at their ends, (N/t)².

    A mean acceleration is a change of speed over a time. The speed at the end of one piece is
    that at the beginning of the next: an error there makes the one too fast and the other too
    slow by as much, and is half of the variance of either.
    """
    u = np.array([p.u_inertia_N_per_t for p in pieces])
    times = np.array([p.seconds for p in pieces])
    apart = np.abs(np.subtract.outer(times[:, 1], times[:, 0]))
    lines = np.array([p.run for p in pieces])
    joined = (apart < JOINED_S) & (lines[:, None] == lines[None, :])
    share = np.eye(len(pieces)) - 0.5 * (joined | joined.T).astype(float)
    return np.asarray(share * np.outer(u, u))


def grade_errors(pieces: Sequence[Where]) -> NDArray[np.float64]:
    """Covariance (n, n) of the pieces by the error of the surveyed slope, (N/t)².

    The error is a constant over each length of line, of unknown beginnings: its covariance falls
    along a straight line to nothing over one length, and two means over parts of the line have
    the double integral of that over both. Run backwards, a rise too steep is a fall too steep.
    """
    ends = np.array([p.metres for p in pieces])
    way = np.where(ends[:, 1] < ends[:, 0], -1.0, 1.0)
    low = ends.min(axis=1)
    high = np.maximum(ends.max(axis=1), low + LEAST_M)
    length = np.array([p.grade_length_m for p in pieces])
    u = np.array([p.u_grade_N_per_t for p in pieces])
    lines = np.array([p.line for p in pieces])
    both = np.sqrt(np.outer(length, length))

    def reach(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
        return _twice(np.subtract.outer(one, other), both)

    whole = reach(high, low) - reach(high, high) - reach(low, low) + reach(low, high)
    share = whole / np.outer(high - low, high - low)
    same = lines[:, None] == lines[None, :]
    return np.asarray(np.where(same, share * np.outer(u * way, u * way), 0.0))


def _twice(lag: NDArray[np.float64], length: NDArray[np.float64]) -> NDArray[np.float64]:
    """Second integral of ``1 − |lag|/length`` where that is above zero."""
    x = np.abs(lag)
    near = np.minimum(x, length)
    return np.asarray(near**2 / 2.0 - near**3 / (6.0 * length) + (x - near) * length / 2.0)


def wander_errors(
    pieces: Sequence[Where],
    values: NDArray[np.float64],
    terms: NDArray[np.float64],
    known: NDArray[np.float64],
) -> Correlated:
    """By the slow wander of one run's pull, as the scatter about a curve lets it be.

    Parameters
    ----------
    values : (n,) resistances, N/t, in order of time
    terms : (n, p) of the curve
    known : (n, n) covariance by everything else
    """
    times = np.array([p.seconds for p in pieces])
    pull = np.array([p.pull_N_per_t for p in pieces])
    start, end = times[:, 0], times[:, 1]
    usual = max(p.usual_wander for p in pieces)
    wander = fit_wander(start, end, values, terms, 0.0, known=known, of=pull, usual=usual)
    shares = wander.covariance(start, end)
    return Correlated(covariance=shares * np.outer(pull, pull), dof=wander.dof)
