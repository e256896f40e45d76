"""Instruments that show one value, or none, whatever the train does.

What the seal flagged as stuck or contradicted is in no figure; here it is asked whether so much of
the run is that the instrument itself is to be doubted.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities import flags as flag_bits
from calibration.quantities.receiver import RECEIVER_GOES_M_S
from calibration.quantities.written import many
from recorder.analysis.plausibility.doubt import Checked, Doubt, DoubtKind
from recorder.analysis.plausibility.evidence import block_means
from recorder.analysis.series.run_series import STANDS_M_S
from recorder.analysis.series.series import UNFIT
from recorder.analysis.series.standing import standing_bins
from recorder.run.checks.channel_health import HealthFault
from recorder.run.checks.motion import MOVES_M_S, Movement, Said, movement_of
from recorder.run.checks.watches import DRIFT_SEEN_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.plausibility.evidence import Evidence

__all__ = ["check_stuck"]

LEAST_S: Final = 120.0
"""Shorter, a steady train on a coarse table may show one value."""
MOST_UNSOUND: Final = 0.1
"""Of the moving time: an instrument that fails for longer is not believed for the rest (common
practice)."""
MOST_ONE_VALUE: Final = 0.95
"""Of the moving time, of a speed: drivers keep a speed, and tables round it."""
VARIES: Final = 0.05
"""Relative spread of a pull that says that the train was not standing."""


def check_stuck(evidence: Evidence) -> list[Checked]:
    """Pull and speed stuck or contradicted, a speed that stands, one that is not there, and a
    pull that drifted at rest."""
    return [
        _unsound(evidence),
        _one_speed(evidence),
        _dead_speed(evidence),
        _drift_at_rest(evidence),
    ]


def _unsound(evidence: Evidence) -> Checked:
    series = evidence.run.series
    moving = _moving(evidence)
    bad = series.flags & np.uint8(flag_bits.UNSOUND) != 0
    bad |= standing_bins(series.t_s, series.pull_kN, np.abs(series.speed_m_s), moving)
    return _shared(
        "pull and speed alive",
        evidence,
        (moving, bad),
        limit=MOST_UNSOUND,
        said="stuck or contradicted",
        where="in motion",
        doubted="pull or speed stands at one value, or is contradicted by its double,",
        so="an instrument or its reading is stuck",
    )


def _one_speed(evidence: Evidence) -> Checked:
    series, running = evidence.run.series, evidence.running
    speed = np.abs(series.speed_m_s)
    return _shared(
        "speed alive",
        evidence,
        (running, standing_bins(series.t_s, speed, series.pull_kN, running)),
        limit=MOST_ONE_VALUE,
        said="at one value while the pull changes",
        where="in motion",
        doubted="the speed shows one and the same value while the pull changes",
        so="the instrument or its reading is stuck",
    )


def _dead_speed(evidence: Evidence) -> Checked:
    """No speed, or one that stands, where the receiver goes; none at all while the pull changes."""
    series, gnss = evidence.run.series, evidence.gnss_speed_m_s
    if gnss is not None:
        with np.errstate(invalid="ignore"):
            goes = np.abs(gnss) > RECEIVER_GOES_M_S
            dead = ~(np.abs(series.speed_m_s) > STANDS_M_S)
        limit, where = MOST_UNSOUND, "where the receiver goes"
    else:
        fit = np.isfinite(series.pull_kN) & (series.flags & np.uint8(UNFIT) == 0)
        changes = fit.any() and float(np.std(series.pull_kN[fit])) > VARIES * float(
            np.mean(np.abs(series.pull_kN[fit]))
        )
        goes = fit & bool(changes)
        dead = ~np.isfinite(series.speed_m_s)
        limit, where = MOST_ONE_VALUE, "where the pull changes"
    return _shared(
        "speed there",
        evidence,
        (goes, dead),
        limit=limit,
        said="missing or at nought",
        where=where,
        doubted="the speed is missing or at nought",
        so="the wheel, its counter or its channel is dead",
    )


def _shared(
    name: str,
    evidence: Evidence,
    bins: tuple[NDArray[np.bool_], NDArray[np.bool_]],
    *,
    limit: float,
    said: str,
    where: str,
    doubted: str,
    so: str,
) -> Checked:
    """How much of the time looked at is bad: ``bins`` are (n,) those looked at, and the bad."""
    among, bad = bins
    n = int(np.count_nonzero(among))
    seconds = n * evidence.run.series.step_s
    if seconds < LEAST_S:
        return Checked.not_checked(name, f"{seconds:.0f} s only {where}")
    share = float(np.count_nonzero(bad & among)) / n
    long = f"for {100 * share:.0f} % of {seconds:.0f} s {where}"
    outcome = f"{said} {long}, {100 * limit:.0f} % at most"
    if share <= limit:
        return Checked(name=name, outcome=outcome)
    text = f"{doubted} {long}: {so}; check it"
    doubt = Doubt(kind=DoubtKind.STUCK, text=text, value=share, limit=limit)
    return Checked(name=name, outcome=outcome, doubt=doubt)


def _drift_at_rest(evidence: Evidence) -> Checked:
    """Told, and no verdict stopped: a force on the coupler may creep at rest, and what the zero
    did between two that were taken is in the uncertainty.
    """
    name = "pull at rest"
    drifts = [e for e in evidence.episodes if e.fault is HealthFault.DRIFTING]
    if not drifts and not evidence.zero_watched:
        return Checked.not_checked(name, "no certificate says how far a zero may drift")
    if not drifts:
        return _no_drift(name, _longest_stand_s(evidence))
    seconds = max(e.t_stop_s - e.t_start_s for e in drifts)
    text = f"{drifts[0].words}; take a zero before and after, and compare them"
    doubt = Doubt(kind=DoubtKind.DRIFT, text=text, value=seconds, limit=0.0, stops=False)
    return Checked(
        name=name, outcome=f"{many(len(drifts), 'drift')} while standing", doubt=doubt
    )


def _no_drift(name: str, stood_s: float) -> Checked:
    stand = f"the longest stand is {stood_s:.0f} s"
    if stood_s < DRIFT_SEEN_S:
        why = f"{stand}, and a drift shows in {DRIFT_SEEN_S:.0f} s at the least"
        return Checked.not_checked(name, why)
    return Checked(name=name, outcome=f"no drift was found; {stand}")


def _longest_stand_s(evidence: Evidence) -> float:
    """By the same rule, second by second, as the channels were watched by."""
    series, gnss = evidence.run.series, evidence.gnss_speed_m_s
    every = max(1, round(1.0 / series.step_s))
    speed = block_means(np.abs(series.speed_m_s), every)
    other = np.full(len(speed), np.nan) if gnss is None else block_means(np.abs(gnss), every)
    railed = series.flags & np.uint8(flag_bits.SATURATED) != 0
    held = np.isfinite(block_means(np.where(railed, np.nan, series.pull_kN), every))
    stood = longest = 0
    for pulls, by_own, by_gnss in zip(held, speed.tolist(), other.tolist(), strict=True):
        said = (
            Said(evidence.speed_by_receiver, by_own),
            Said(by_receiver=True, speed_m_s=by_gnss),
        )
        stands = bool(pulls) and movement_of(said) is Movement.STANDING
        stood = stood + 1 if stands else 0
        longest = max(longest, stood)
    return longest * every * series.step_s


def _moving(evidence: Evidence) -> NDArray[np.bool_]:
    """(n,) bins in which wheel or receiver says that the train moves, and the pull is known."""
    series = evidence.run.series
    with np.errstate(invalid="ignore"):
        moving = np.abs(series.speed_m_s) > MOVES_M_S
        if evidence.gnss_speed_m_s is not None:
            moving |= np.abs(evidence.gnss_speed_m_s) > RECEIVER_GOES_M_S
    return np.asarray(moving & np.isfinite(series.pull_kN))
