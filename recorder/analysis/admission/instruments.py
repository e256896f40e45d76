"""Whether the instruments can be believed over a stretch: pull channel, measuring wheel."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities import flags as flag_bits
from calibration.quantities.receiver import RECEIVER_U_M_S
from recorder.analysis.series.filters import acceleration_of, mean_known
from recorder.analysis.stretches.admission_record import Criterion, CriterionKind
from recorder.analysis.uncertainty.causes import CauseKind
from recorder.run.checks.doubles import RECEIVER_LATE_S

if TYPE_CHECKING:
    from recorder.analysis.series.series import Series
    from recorder.analysis.stretches.stretch import Stretch
    from recorder.analysis.uncertainty.run_basis import RunBasis
    from recorder.sheets.admission_limits import AdmissionLimits

__all__ = ["channel_criterion", "wheel_criterion"]

_UNFIT: Final = (
    ("railed", flag_bits.SATURATED),
    ("suspect", flag_bits.SUSPECT),
    ("stuck or contradicted", flag_bits.UNSOUND),
)
MOSTLY: Final = 0.8
SURE: Final = 2.0
"""Standard deviations."""


def channel_criterion(series: Series, stretch: Stretch) -> Criterion:
    """Pull and speed neither railed, suspect, stuck nor contradicted by a double."""
    held = series.flags[stretch.span]
    words = [
        f"{name} for {float(np.mean(held & bit != 0)) * stretch.seconds:.1f} s"
        for name, bit in _UNFIT
        if (held & bit).any()
    ]
    return Criterion(
        kind=CriterionKind.CHANNEL,
        value=", ".join(words) or "sound",
        limit="neither railed, suspect, stuck nor contradicted",
        passed=not words,
        reason="pull or speed was railed, suspect, stuck or contradicted",
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
        other = np.abs(gnss[stretch.span])
        both = np.isfinite(speed) & np.isfinite(other)
        away = float(np.mean(speed[both]) - np.mean(other[both]))
        gained = mean_known(acceleration_of(np.abs(gnss), run.series.step_s)[stretch.span])
        if not math.isfinite(gained):
            return math.nan, ""
        beyond = _beyond_m_s(away, gained, stretch.seconds)
        return 100.0 * beyond / max(float(np.mean(other[both])), 0.1), "GNSS"
    # Where the posts corrected the wheel, what is left is the uncertainty of that.
    if run.instruments.wheel_cause.kind is CauseKind.WHEEL_BY_ROUTE:
        return 100.0 * run.instruments.wheel_rel_u, "the posts, after correction,"
    return math.nan, ""


def _beyond_m_s(away_m_s: float, gained_m_s2: float, seconds: float) -> float:
    """How far the wheel is from the receiver beyond what a good receiver scatters and lags.

    It tells of a time before it is in hand: while speed is gained it says less than the wheel,
    while it is lost more, and never the other way round.
    """
    scatter = RECEIVER_U_M_S * max(1.0, SURE / math.sqrt(seconds))
    late = RECEIVER_LATE_S * gained_m_s2
    low, high = min(late, 0.0) - scatter, max(late, 0.0) + scatter
    return away_m_s - min(max(away_m_s, low), high)
