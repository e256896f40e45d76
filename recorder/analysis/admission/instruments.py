"""Whether the instruments can be believed over a stretch: pull channel, measuring wheel."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities import flags as flag_bits
from recorder.analysis.stretches.admission_record import Criterion, CriterionKind
from recorder.analysis.uncertainty.causes import CauseKind

if TYPE_CHECKING:
    from recorder.analysis.series.series import Series
    from recorder.analysis.stretches.stretch import Stretch
    from recorder.analysis.uncertainty.run_basis import RunBasis
    from recorder.sheets.admission_limits import AdmissionLimits

__all__ = ["channel_criterion", "wheel_criterion"]

STUCK_S: Final = 5.0
STUCK_BINS: Final = 8
"""Readings one after the other that are the same to the last bit: a converter's noise is some
counts, and a mean of many never comes twice (common practice)."""
MOSTLY: Final = 0.8
GNSS_M_S: Final = 0.1


def channel_criterion(series: Series, stretch: Stretch) -> Criterion:
    """Pull neither railed nor suspect."""
    held = series.flags[stretch.span]
    railed, suspect = (held & bit != 0 for bit in (flag_bits.SATURATED, flag_bits.SUSPECT))
    stuck_s = _stuck_s(series, stretch)
    words = [f"stuck for {stuck_s:.0f} s"] if stuck_s > 0.0 else []
    words += [
        f"{name} for {float(np.mean(mask)) * stretch.seconds:.1f} s"
        for name, mask in (("railed", railed), ("suspect", suspect))
        if mask.any()
    ]
    return Criterion(
        kind=CriterionKind.CHANNEL,
        value=", ".join(words) or "sound",
        limit="neither railed, suspect nor stuck",
        passed=not words,
        reason="pull or speed was railed, suspect or stuck",
    )


def wheel_criterion(run: RunBasis, stretch: Stretch, limits: AdmissionLimits) -> Criterion:
    """The measuring wheel against GNSS over the stretch, else against the posts of the line."""
    most = limits.wheel_agrees_pct
    away, against = _wheel_away_pct(run, stretch)
    known = math.isfinite(away)
    return Criterion(
        kind=CriterionKind.WHEEL,
        value=f"{away:+.2f} % from {against}" if known else "nothing to hold it against",
        limit=f"within {most:g} %",
        passed=abs(away) <= most if known else None,
        reason=f"the measuring wheel was more than {most:g} % from {against}",
    )


def _wheel_away_pct(run: RunBasis, stretch: Stretch) -> tuple[float, str]:
    gnss = run.series.gnss_speed_m_s
    speed = np.abs(run.series.speed_m_s[stretch.span])
    if gnss is not None and np.isfinite(gnss[stretch.span]).mean() > MOSTLY:
        other = gnss[stretch.span]
        both = np.isfinite(speed) & np.isfinite(other)
        away = float(np.mean(speed[both]) - np.mean(other[both]))
        # A receiver's speed scatters by a decimetre a second and lags (common practice).
        beyond = max(abs(away) - GNSS_M_S, 0.0) * math.copysign(1.0, away)
        return 100.0 * beyond / max(float(np.mean(other[both])), 0.1), "GNSS"
    # Where the posts corrected the wheel, what is left is the uncertainty of that.
    if run.instruments.wheel_cause.kind is CauseKind.WHEEL_BY_ROUTE:
        return 100.0 * run.instruments.wheel_rel_u, "the posts, after correction,"
    return math.nan, ""


def _stuck_s(series: Series, stretch: Stretch) -> float:
    """Longest time for which the pull is the same to the last bit, if that is no chance."""
    same = np.diff(series.pull_kN[stretch.span]) == 0.0
    edges = np.flatnonzero(np.diff(same.astype(np.int8), prepend=0, append=0))
    longest = int((edges[1::2] - edges[::2]).max(initial=0)) if len(edges) else 0
    seconds = longest * series.step_s
    return seconds if longest >= STUCK_BINS and seconds >= STUCK_S else 0.0
