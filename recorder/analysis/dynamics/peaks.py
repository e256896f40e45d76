"""The highest means of a run, and how much of them is noise.

``run`` is a :class:`RunBasis`: its series, marks and what its instruments are worth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.dynamics.selection import stands_high
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured
from recorder.analysis.uncertainty.wander import NoisePart, fast_means, white_variance

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.uncertainty.run_basis import RunBasis

__all__ = [
    "Peak",
    "highest_mean",
    "picked_highest",
    "running_mean",
    "white_noise",
    "with_noise",
]

HOUR_S: Final = 3600.0
LIKE: Final = 0.5
"""Of the highest: where less was pulled the noise is another."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """The mean over the seconds in which a quantity read highest, less what it is expected to
    stand high by having been picked for it.
    """

    t_start_s: float
    seconds: float
    value: Measured
    speed_m_s: float

    @property
    def name(self) -> str:
        """``highest 10 s mean pull``, ``highest one-hour mean power``."""
        span = "one-hour" if self.seconds == HOUR_S else f"{self.seconds:.0f} s"
        return f"highest {span} mean {'pull' if self.value.unit == 'kN' else 'power'}"


def highest_mean(run: RunBasis, seconds: float, unit: str) -> Peak | None:
    """Highest mean of pull (``kN``) or power (``kW``) over ``seconds`` without a gap; ``None``
    if none fits.
    """
    series = run.series
    values = series.sound_pull_kN if unit == "kN" else series.power_kW
    window = round(seconds / series.step_s)
    if window < 1 or window > len(values):
        return None
    means = running_mean(values, window)
    if not np.isfinite(means).any():
        return None
    k = int(np.nanargmax(means))
    force = float(np.mean(series.pull_kN[k : k + window]))
    speed = float(np.mean(series.speed_m_s[k : k + window]))
    top, instruments = float(means[k]), run.instruments
    found = (
        instruments.pull(top)
        if unit == "kN"
        else instruments.power(top, pull_kN=force, speed_m_s=speed)
    )
    extent = Extent(run.name, f"highest {seconds:g} s {unit}")
    noise = white_noise(values, series.step_s, top)
    return Peak(
        t_start_s=float(series.t_s[k]) - series.step_s / 2,
        seconds=window * series.step_s,
        value=with_noise(run, found, means, seconds, noise, extent),
        speed_m_s=speed,
    )


def with_noise(
    run: RunBasis,
    highest: Measured,
    means: NDArray[np.float64],
    seconds: float,
    white: float,
    extent: Extent,
) -> Measured:
    """The highest of the means (n,) over some seconds, less what it stands high, with the parts
    of white noise (variance of a mean over one second), of wander, and of the picking.
    """
    wander = [
        NoisePart(part.variance * highest.value**2, part.apart_s)
        for part in run.wander.of_means(seconds)
    ]
    own = NoisePart(white / seconds, seconds)
    high, u_high = stands_high(means, run.series.step_s, [own, *wander])
    # What it stands high goes with the standard deviation of the noise, which is itself known
    # to one over the root of twice its degrees of freedom (JCGM 100:2008, E.4.3).
    u_high = math.hypot(u_high, high / math.sqrt(2.0 * run.wander.dof))
    random = UncertaintyCause(CauseKind.RANDOM, extent=extent)
    slow = UncertaintyCause(CauseKind.WANDER, run.name, extent)
    return (
        highest.shifted(-high)
        .with_part(random, math.hypot(math.sqrt(own.variance), u_high))
        .with_part(
            slow,
            math.sqrt(math.fsum(part.variance for part in wander)),
            dof=run.wander.dof,
        )
    )


def white_noise(values: NDArray[np.float64], step_s: float, top: float) -> float:
    """Variance of a mean over one second where the values (n,) come near their highest.

    Of second differences of means over two seconds: a steady rise is none of it, and their
    median knows nothing of the few instants when the throttle was moved.
    """
    means = fast_means(values, step_s)
    bent = means[:-2] - 2.0 * means[1:-1] + means[2:]
    return white_variance(bent[np.abs(means[1:-1]) > LIKE * abs(top)], 6.0, step_s)


def running_mean(values: NDArray[np.float64], window: int) -> NDArray[np.float64]:
    """Means (n − window + 1,) over every window of so many bins; NaN where one is unknown."""
    total = np.concatenate(([0.0], np.cumsum(np.nan_to_num(values))))
    bad = np.concatenate(([0], np.cumsum(~np.isfinite(values))))
    means = (total[window:] - total[:-window]) / window
    return np.where(bad[window:] == bad[:-window], means, np.nan)


def picked_highest(means: Sequence[Measured], extent: Extent) -> Measured:
    """The highest of means, less what it is expected to stand high by having been picked for it.

    ``extent`` is that of the highest.
    """
    top = max(means, key=lambda m: m.value)
    # What acts in one of them alone is noise among them; calibration and zero are theirs, too.
    own = math.fsum(p * p for c, p in top.parts.items() if c.extent is not None)
    high, u_high = stands_high(np.array([m.value for m in means]), 1.0, [NoisePart(own, 1.0)])
    picked = replace(extent, part=f"{extent.part}, picked as the highest")
    return top.shifted(-high).with_part(
        UncertaintyCause(CauseKind.RANDOM, extent=picked), u_high
    )
