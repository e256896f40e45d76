"""Rolling resistance that is below nought: no train's is, whatever the driver did.

With the brakes off the pull less what grade, curves and acceleration ask of the trailing load is
its rolling resistance. A zero that was wrong, a weighed train that is not the one ridden with, or
a slope that is wrong everywhere alike put it below nought where it is least, while the pull may
follow grade and acceleration without fault. A brake that nobody keyed only adds to it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.constants import G_M_S2
from calibration.quantities.sentence import between, say
from recorder.analysis.plausibility.doubt import Checked, Doubt, DoubtKind
from recorder.analysis.plausibility.evidence import block_means, middle_of
from recorder.analysis.series.series import GradeSource
from recorder.analysis.series.train import Side

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.plausibility.evidence import Evidence

__all__ = ["check_resistance"]

BLOCK_S: Final = 60.0
"""Longer than errors of speed, slope and pull last (from experience)."""
LEAST_BLOCKS: Final = 8
"""Of which a median and its scatter are taken (from experience)."""
SURE: Final = 3.0
"""Standard uncertainties by which a resistance must be below nought."""
HIDES: Final = frozenset(
    {DoubtKind.PULL_SIGN, DoubtKind.PULL_UNIT, DoubtKind.SPEED_UNIT, DoubtKind.GRADE}
)
"""With these doubted, a resistance tells nothing new."""
NAME: Final = "rolling resistance above nought"


def check_resistance(evidence: Evidence, doubted: Doubt | None) -> Checked:
    """Whether the trailing load's resistance is possible where it is least: over the slower half
    of the minutes of free running, or all of them when they are few.

    ``doubted`` is what the pull against grade and acceleration was doubted for.
    """
    train = evidence.run.train
    if doubted is not None and doubted.kind in HIDES:
        return Checked.not_checked(NAME, f"{doubted.kind} is doubted")
    if evidence.run.series.grade_source is GradeSource.UNKNOWN:
        return Checked.not_checked(NAME, "the grade is not known")
    if not train.trailing.mass_t:
        return Checked.not_checked(NAME, "the trailing mass is not known")
    slow, asked = _slow_minutes(evidence, 1000.0 / train.trailing.mass_t)
    if len(slow) < LEAST_BLOCKS:
        why = f"{len(slow)} whole minutes of free running, {LEAST_BLOCKS} needed"
        return Checked.not_checked(NAME, why)
    least, u_scatter = middle_of(slow)
    u = math.hypot(u_scatter, _common_u(evidence, asked, 1000.0 / train.trailing.mass_t))
    over = f"over the slowest {len(slow)} minutes of free running"
    said = say(between(least, 2 * u, "N/t", 1, joined=" ± "), f" (95 %) {over}")
    doubt = _doubt(least, said) if least + SURE * u < 0.0 else None
    return Checked(name=NAME, outcome=said, doubt=doubt)


def _slow_minutes(evidence: Evidence, per_t: float) -> tuple[NDArray[np.float64], float]:
    """Resistance (k,) of the slower minutes of free running, and the mean of what grade, curves
    and acceleration asked in them, N/t.
    """
    run = evidence.run
    every = max(1, round(BLOCK_S / run.series.step_s))
    use = np.where(evidence.running, per_t, np.nan)
    behind = run.corrected.trailing
    forces = behind.grade_kN + np.nan_to_num(behind.curve_kN) + behind.acceleration_kN
    left = block_means((run.series.pull_kN - forces) * use, every)
    asked = block_means(forces * use, every)
    speed = block_means(run.series.speed_m_s, every)
    known = np.isfinite(left + speed)
    left, asked, speed = left[known], asked[known], speed[known]
    if len(left) >= 2 * LEAST_BLOCKS:
        slow = speed <= np.median(speed)
        left, asked = left[slow], asked[slow]
    return left, float(asked.mean()) if len(asked) else 0.0


def _common_u(evidence: Evidence, asked_N_per_t: float, per_t: float) -> float:
    """Standard uncertainty, N/t, of what is wrong in all minutes alike."""
    run = evidence.run
    return math.hypot(
        run.instruments.zero_u_kN * per_t,
        1000.0 * G_M_S2 * run.train.assumed.grade_common,
        asked_N_per_t * run.train.mass_rel_u(Side.TRAILING),
    )


def _doubt(least: float, said: str) -> Doubt:
    return Doubt(
        kind=DoubtKind.RESISTANCE,
        text=say(
            "the rolling resistance of the trailing load is ",
            said,
            ", and no train's is below nought: check the zero of the pull, the grade and its"
            " direction, and [consist] and [test_car] masses",
        ),
        value=least,
        limit=0.0,
    )
