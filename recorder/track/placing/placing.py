"""Placing a run on its route: wheel, marks and fixes into chainage with its uncertainty.

First a line is found that most marks agree on, whatever the rest say (``consensus``); then each
mark is matched to the post it meant and a smoother fits distance, scale, the crew's delay and
the GNSS error (``fitting``, ``smoother``); matching and fitting go on until no mark changes its
post. A mark that fits badly counts less (Student-t weights), one that fits no post is an
outlier, and residuals are always against a fit without the mark itself. Raw counts are not
touched.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.track.placing.anchors import GnssFixes, PlacingOptions
from recorder.track.placing.errors import PlacingError
from recorder.track.placing.fitting import Fitted, Problem
from recorder.track.placing.placement import Placement
from recorder.track.placing.placing_result import make_placement

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from recorder.marks.mark import Mark
    from recorder.track.placing.wheel_track import WheelTrack
    from recorder.track.route.route import Route

__all__ = ["GnssFixes", "PlacingOptions", "place_run"]

_FEWEST_TO_TUNE: Final = 8
_TRIES: Final = 50


def place_run(
    route: Route,
    track: WheelTrack,
    marks: Sequence[Mark],
    *,
    gnss: GnssFixes | None = None,
    options: PlacingOptions | None = None,
) -> Placement:
    """Place a run on its route.

    Parameters
    ----------
    track
        Wheel distance with run time (:meth:`WheelTrack.from_blocks`).
    marks
        All marks (current revisions); those of kind ``milepost`` are used.
    gnss
        Fixes, used when the route has coordinates.

    Raises
    ------
    PlacingError
        Nothing ties the run to the route.
    """
    problem = Problem(route, track, marks, gnss, options or PlacingOptions())
    best = problem.best()
    if best is None:
        msg = (
            "the run cannot be placed: it has no milepost mark whose number is on the route, no"
            " GNSS fix on it, and no start chainage with direction; put one in the trip sheet"
        )
        raise PlacingError(msg)
    if problem.options.tune:
        best = _tuned(problem, best)
    return make_placement(problem, best)


def _tuned(problem: Problem, fit: Fitted) -> Fitted:
    """Let the innovations say how much hands, fixes and wheel scatter (maximum likelihood with
    broad log-normal expectations), then match again."""
    from scipy.optimize import minimize  # slow to import

    if fit.used.sum() + fit.fix_used.sum() < _FEWEST_TO_TUNE:
        return fit
    hand, walk, gnss = fit.reaction_sd_s, fit.noise.scale_per_r100km, fit.gnss_sd_m
    spread = np.array([0.7, 1.0, 0.5])

    def changed(log_change: NDArray[np.float64]) -> Fitted:
        a, b, c = np.exp(np.clip(log_change, -3.0, 3.0))
        noise = replace(fit.noise, scale_per_r100km=walk * b)
        return replace(fit, reaction_sd_s=hand * a, gnss_sd_m=gnss * c, noise=noise)

    def unlikely(log_change: NDArray[np.float64]) -> float:
        likelihood = problem.run_filter(changed(log_change), smooth=False).log_likelihood
        return 0.5 * float(np.sum((log_change / spread) ** 2)) - likelihood

    simplex = np.vstack((np.zeros(3), np.diag([-0.7, 0.7, -0.5])))
    best = minimize(
        unlikely,
        np.zeros(3),
        method="Nelder-Mead",
        options={"maxfev": _TRIES, "xatol": 0.05, "fatol": 0.05, "initial_simplex": simplex},
    )
    return problem.settle(changed(best.x))
