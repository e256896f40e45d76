"""The locomotive's own higher pull at the same speed contradicts a lower one.

The run is looked at in windows of ten seconds. A stretch whose pull, against the specification,
lies lower than what the same locomotive showed at the same speed at another time by more than
both uncertainties allow was not at its setting, whatever was marked. A weakness at some speeds
only is no contradiction: there the pull is low whenever the train runs at these speeds.

Where a mark is once found wrong, the rest of its time counts only as far as the locomotive's own
pull elsewhere bears it out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import G_M_S2
from calibration.statistics.median_scatter import normal_sd
from recorder.analysis.series.series import UNFIT
from recorder.analysis.stretches.admission_record import Criterion, CriterionKind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.admission.throttle import Trust
    from recorder.analysis.stretches.specification import Specification
    from recorder.analysis.stretches.stretch import Stretch
    from recorder.analysis.uncertainty.run_basis import RunBasis

__all__ = ["OwnPull", "Windows", "own_pull_criterion", "own_pulls", "windows_of"]

WINDOW_S: Final = 10.0
"""Two breaths of the slack (from experience): shorter, the run-in shows; longer, an easing
hides."""
SAME_SPEED_M_S: Final = 0.3
"""Over which the pull of a locomotive at one setting falls by 2 % at 15 m/s."""
SIGMAS: Final = 3.0


@dataclass(frozen=True, slots=True)
class Windows:
    """Even windows of a run in which nothing but speed and setting moves the pull, (k,) each."""

    t_s: NDArray[np.float64]
    """Middle of each."""
    speed_m_s: NDArray[np.float64]
    share: NDArray[np.float64]
    """Equivalent pull over the specified pull, less one."""
    u: NDArray[np.float64]
    """Standard uncertainty of the share between two windows, less what both have in common."""


@dataclass(frozen=True, slots=True)
class OwnPull:
    """How a stretch stands to the locomotive's own pull at its speeds."""

    short: float
    """By what share of the specified pull it lies lower; NaN when nothing can be compared."""
    limit: float
    at_s: float
    """When the higher pull was shown."""
    doubted: bool = False
    """The mark was found wrong elsewhere in its time, and nothing bears this stretch out."""

    @property
    def contradicted(self) -> bool:
        """Lower than the locomotive's own pull by more than the limit."""
        return self.short > self.limit


def windows_of(run: RunBasis, specification: Specification, fit: NDArray[np.bool_]) -> Windows:
    """Windows over the bins (n,) that are fit: moving, unbraked, settled, sound."""
    series, train = run.series, run.train
    n = max(2, round(WINDOW_S / series.step_s))
    count = len(series) // n
    speed = np.abs(series.speed_m_s)
    pull, limit = run.corrected.equivalent_pull_kN, specification.limits_kN(speed)
    good = fit & (series.flags & UNFIT == 0) & np.isfinite(pull) & (limit > 0.0)
    whole = good[: count * n].reshape(count, n).all(axis=1)

    def means(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(values[: count * n].reshape(count, n)[whole].mean(axis=1))

    share = means(np.where(good, pull / np.where(good, limit, 1.0) - 1.0, 0.0))
    at, v, specified = means(series.t_s), means(speed), means(np.where(good, limit, 1.0))
    mass_t = train.locomotive.mass_t or 0.0
    seconds = n * series.step_s
    apart = np.diff(share)[np.diff(at) < 1.5 * seconds]
    noise = normal_sd(apart) / math.sqrt(2.0) if len(apart) else 0.0
    a = mass_t * series.u_acceleration_m_s2 * math.sqrt(5.0 / seconds)
    grade = mass_t * G_M_S2 * train.assumed.grade
    u = np.hypot(noise, math.hypot(a, grade) / specified)
    return Windows(at, v, share, u)


def own_pulls(
    windows: Windows, stretches: Sequence[Stretch], trusts: Sequence[Trust], least: float
) -> list[OwnPull]:
    """Each stretch against the windows of all others; ``least`` is a share that always counts."""
    found = [_against(windows, s, np.ones(len(windows.t_s), bool), least) for s in stretches]
    doubtful = _doubtful(stretches, trusts, found)
    if not doubtful.any():
        return found
    inside = np.zeros(len(windows.t_s), bool)
    for stretch, doubted in zip(stretches, doubtful, strict=True):
        if doubted:
            inside |= _within(windows, stretch)
    out = []
    for stretch, pull, doubted in zip(stretches, found, doubtful, strict=True):
        if not doubted or pull.contradicted:
            out.append(pull)
            continue
        again = _against(windows, stretch, ~inside, least)
        borne_out = math.isfinite(again.short) and not again.contradicted
        out.append(OwnPull(again.short, again.limit, again.at_s, doubted=not borne_out))
    return out


def own_pull_criterion(pull: OwnPull) -> Criterion:
    """The criterion of one stretch."""
    compared = math.isfinite(pull.short)
    reason = ""
    if pull.contradicted:
        reason = (
            f"the same locomotive pulled {100 * pull.short:.0f} % more at this speed"
            " at another time"
        )
    elif pull.doubted:
        reason = "the throttle mark was found wrong elsewhere in its time"
    return Criterion(
        kind=CriterionKind.OWN_PULL,
        value=f"{100 * pull.short:.1f} % below, at {pull.at_s:.0f} s"
        if compared
        else "no other time at this speed",
        limit=f"{100 * pull.limit:.1f} %" if compared else "—",
        passed=False if reason else (True if compared else None),
        reason=reason,
    )


def _within(windows: Windows, stretch: Stretch) -> NDArray[np.bool_]:
    half = 0.5 * WINDOW_S
    return (windows.t_s > stretch.t_start_s - half) & (windows.t_s < stretch.t_end_s + half)


def _against(
    windows: Windows, stretch: Stretch, allowed: NDArray[np.bool_], least: float
) -> OwnPull:
    """A stretch against the highest window at the speed of each of its own."""
    own = _within(windows, stretch)
    others = np.flatnonzero(allowed & ~own)
    short, highest, u_own, u_other, seen = [], [], [], [], 0
    for k in np.flatnonzero(own):
        near = others[
            np.abs(windows.speed_m_s[others] - windows.speed_m_s[k]) <= SAME_SPEED_M_S
        ]
        if not len(near):
            continue
        top = near[int(np.argmax(windows.share[near]))]
        short.append(windows.share[top] - windows.share[k])
        highest.append(top)
        u_own.append(windows.u[k])
        u_other.append(windows.u[top])
        seen = max(seen, len(near))
    if not short:
        return OwnPull(math.nan, least, math.nan)
    mean, n = float(np.mean(short)), len(short)
    # The highest of many windows stands high by chance (expected maximum of normal draws).
    chance = math.sqrt(2.0 * math.log(max(seen, 1)))
    u_high = float(np.mean(u_other))
    u = math.hypot(float(np.mean(u_own)) / math.sqrt(n), u_high)
    at = highest[int(np.argmax(short))]
    return OwnPull(mean, max(least, SIGMAS * u + chance * u_high), float(windows.t_s[at]))


def _doubtful(
    stretches: Sequence[Stretch], trusts: Sequence[Trust], found: Sequence[OwnPull]
) -> NDArray[np.bool_]:
    """Stretches (m,) in a trust that was contradicted, on the side away from the evidence."""
    out = np.zeros(len(stretches), bool)
    for trust in set(trusts):
        held = [i for i, t in enumerate(trusts) if t == trust]
        wrong = [i for i in held if found[i].contradicted]
        if not wrong:
            continue
        first, last = stretches[wrong[0]].t_start_s, stretches[wrong[-1]].t_end_s
        times = [found[i].at_s for i in wrong]
        before = any(trust.begin_s <= t < first for t in times)
        after = any(last < t <= trust.end_s for t in times)
        for i in held:
            middle = 0.5 * (stretches[i].t_start_s + stretches[i].t_end_s)
            spared = (before and middle < first) or (after and middle > last)
            out[i] = not spared
    return out
