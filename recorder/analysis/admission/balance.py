"""What the figures of a stretch say of it: length, acceleration, trend, adhesion, derating."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import G_M_S2, KM_H_PER_M_S
from calibration.quantities.sentence import amount, between, say
from recorder.analysis.series.filters import effective_count, mean_known
from recorder.analysis.stretches.admission_record import Criterion, CriterionKind

if TYPE_CHECKING:
    from recorder.analysis.stretches.specification import Specification
    from recorder.analysis.stretches.stretch import Stretch
    from recorder.analysis.stretches.stretch_results import StretchResult
    from recorder.analysis.uncertainty.run_basis import RunBasis
    from recorder.sheets.admission_limits import AdmissionLimits

__all__ = [
    "acceleration_criterion",
    "adhesion_criterion",
    "length_criterion",
    "specified_criterion",
    "trend_criterion",
]

SIGMAS: Final = 3.0
SPEED_CHANGED_M_S: Final = 0.5
"""Over less, the curve of a locomotive does not fall by per cents (from experience)."""


def length_criterion(result: StretchResult, limits: AdmissionLimits) -> Criterion:
    """Long enough that the slack evens out, with readings enough to show their scatter."""
    stretch = result.stretch
    if not math.isfinite(result.pull.value):
        return Criterion(
            kind=CriterionKind.LENGTH,
            value="no equivalent pull",
            limit="pull, mass, grade and acceleration known",
            passed=False,
            reason="the equivalent pull is not known: mass, grade or acceleration is missing",
        )
    if not math.isfinite(result.pull.u):
        return Criterion(
            kind=CriterionKind.LENGTH,
            value="one reading",
            limit="readings enough to show their scatter",
            passed=False,
            reason="too few readings to show their scatter",
        )
    return Criterion(
        kind=CriterionKind.LENGTH,
        value=f"{stretch.seconds:.0f} s",
        limit=f"at least {limits.least_s:g} s",
        passed=stretch.seconds >= limits.least_s - 1e-6,
        reason=f"shorter than {limits.least_s:g} s",
    )


def specified_criterion(result: StretchResult, specification: Specification) -> Criterion:
    """Every speed of the stretch inside the specification."""
    unknown = not math.isfinite(result.pull.value) or not specification.speed_m_s
    passed = None if unknown else result.margin is not None
    k = KM_H_PER_M_S
    speeds = specification.speed_m_s
    return Criterion(
        kind=CriterionKind.SPECIFIED,
        value=say(amount(result.speed.value * k, "km/h", 1)),
        limit=(
            say(between(speeds[0] * k, speeds[-1] * k, "km/h", 0, joined=" to "))
            if speeds
            else "none"
        ),
        passed=passed,
        reason="not specified at all of its speeds",
    )


def acceleration_criterion(
    run: RunBasis, stretch: Stretch, limits: AdmissionLimits
) -> Criterion:
    """Slow enough that inertia is a correction and not the figure."""
    a = abs(mean_known(run.series.acceleration_m_s2[stretch.span]))
    most = limits.acceleration_most_m_s2
    return Criterion(
        kind=CriterionKind.ACCELERATION,
        value=say(amount(a, "m/s²", 3)) if math.isfinite(a) else "not known",
        limit=say("at most ", amount(most, "m/s²")),
        passed=a <= most if math.isfinite(a) else None,
        reason=say("the train gained or lost speed by more than ", amount(most, "m/s²")),
    )


def trend_criterion(
    run: RunBasis, result: StretchResult, specification: Specification, *, borne_out: bool
) -> Criterion:
    """Change of (equivalent pull − specification) over the stretch, against noise and grade.

    A change with speed is the locomotive's own curve, and no trend in time, where the same pull
    was seen at the same speeds at another time (``borne_out``).
    """
    span = result.stretch.span
    limits = specification.limits_kN(np.abs(run.series.speed_m_s[span]))
    margin = run.corrected.equivalent_pull_kN[span] - limits
    at = np.flatnonzero(np.isfinite(margin))
    share = specification.admission.trend_pct / 100.0
    if len(at) < 4 or not result.limit_kN > 0.0:
        return Criterion(
            kind=CriterionKind.TREND,
            value="not known",
            limit=f"within {100 * share:g} %",
            passed=None,
        )
    line = np.polynomial.Polynomial.fit(at, margin[at], 1)
    change = float(line(at[-1]) - line(at[0]))
    rest = margin[at] - line(at)
    # Of a fitted slope times its span: √12 of the scatter of the mean (least squares).
    noise = math.sqrt(12.0 / max(effective_count(rest), 3.0)) * float(np.std(rest, ddof=2))
    mass_t = run.train.locomotive.mass_t or 0.0
    grade = math.sqrt(2.0) * mass_t * G_M_S2 * run.train.assumed.grade
    most = max(SIGMAS * math.hypot(noise, grade), share * result.limit_kN)
    low, high = result.ridden_m_s
    by_speed = borne_out and high - low > SPEED_CHANGED_M_S and abs(change) > most
    return Criterion(
        kind=CriterionKind.TREND,
        value=say(
            "+" * (change > 0.0),
            amount(change, "kN", 2),
            ", with speed, as at other times" * by_speed,
        ),
        limit=say("within ", amount(most, "kN", 2)),
        passed=abs(change) <= most or by_speed,
        reason="the pull moved against the specification while it lasted",
    )


def adhesion_criterion(run: RunBasis, stretch: Stretch, limits: AdmissionLimits) -> Criterion:
    """Below the adhesion from which the rail limits the pull, and not the locomotive."""
    most = limits.adhesion_most
    weight_kN = (run.train.adhesive_mass_t or 0.0) * G_M_S2
    pulls = run.corrected.equivalent_pull_kN[stretch.span]
    rim = run.corrected.rim_effort_kN[stretch.span]
    used = rim if np.isfinite(rim).any() else pulls
    known = weight_kN > 0.0 and bool(np.isfinite(used).any())
    share = mean_known(used) / weight_kN if known else math.nan
    return Criterion(
        kind=CriterionKind.ADHESION,
        value=f"{share:.2f} of the adhesive weight" if known else "not known",
        limit=f"at most {most:g}",
        passed=share <= most if known else None,
        reason=f"adhesion-limited: the rail and not the locomotive sets the pull above {most:g}",
    )
