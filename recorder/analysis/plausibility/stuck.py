"""Instruments that show one value, or none, whatever the train does.

What the seal flagged as stuck or contradicted is in no figure; here it is asked whether so much of
the run is that the instrument itself is to be doubted.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities import flags as flag_bits
from calibration.quantities.receiver import RECEIVER_GOES_M_S
from recorder.analysis.plausibility.doubt import Checked, Doubt, DoubtKind
from recorder.analysis.series.run_series import STANDS_M_S
from recorder.analysis.series.series import UNFIT
from recorder.analysis.series.standing import standing_bins
from recorder.run.checks.channel_health import HealthFault
from recorder.run.checks.motion import MOVES_M_S

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
    name = "pull and speed alive"
    series = evidence.run.series
    speed = np.abs(series.speed_m_s)
    moving = _moving(evidence)
    seconds = float(np.count_nonzero(moving)) * series.step_s
    if seconds < LEAST_S:
        return Checked(name=name, outcome=f"not checked: moved for {seconds:.0f} s only")
    bad = series.flags & np.uint8(flag_bits.UNSOUND) != 0
    bad |= standing_bins(series.t_s, series.pull_kN, speed, moving)
    share = float(np.count_nonzero(bad & moving)) / float(np.count_nonzero(moving))
    said = (
        f"stuck or contradicted for {100 * share:.0f} % of {seconds:.0f} s in motion,"
        f" {100 * MOST_UNSOUND:.0f} % at most"
    )
    if share <= MOST_UNSOUND:
        return Checked(name=name, outcome=said)
    text = (
        f"pull or speed stands at one value, or is contradicted by its double, for"
        f" {100 * share:.0f} % of {seconds:.0f} s in motion: an instrument or its reading is stuck;"
        " check it"
    )
    return Checked(name=name, outcome=said, doubt=_doubt(text, share, MOST_UNSOUND))


def _one_speed(evidence: Evidence) -> Checked:
    name = "speed alive"
    series = evidence.run.series
    running = evidence.running
    seconds = float(np.count_nonzero(running)) * series.step_s
    if seconds < LEAST_S:
        return Checked(name=name, outcome=f"not checked: moved for {seconds:.0f} s only")
    speed, pull = np.abs(series.speed_m_s), series.pull_kN
    stands = standing_bins(series.t_s, speed, pull, running)
    share = float(np.count_nonzero(stands & running)) / float(np.count_nonzero(running))
    said = (
        f"{100 * share:.0f} % of the moving time at one value while the pull changes,"
        f" {100 * MOST_ONE_VALUE:.0f} % at most"
    )
    if share <= MOST_ONE_VALUE:
        return Checked(name=name, outcome=said)
    text = (
        f"the speed shows one and the same value for {100 * share:.0f} % of {seconds:.0f} s in"
        " motion while the pull changes: the instrument or its reading is stuck; check it"
    )
    return Checked(name=name, outcome=said, doubt=_doubt(text, share, MOST_ONE_VALUE))


def _dead_speed(evidence: Evidence) -> Checked:
    """No speed, or one that stands, where the receiver goes; none at all while the pull changes."""
    name = "speed there"
    series, gnss = evidence.run.series, evidence.gnss_speed_m_s
    known = np.isfinite(series.speed_m_s)
    if gnss is not None:
        with np.errstate(invalid="ignore"):
            goes = np.abs(gnss) > RECEIVER_GOES_M_S
            dead = goes & ~(np.abs(series.speed_m_s) > STANDS_M_S)
        where = "where the receiver goes"
    else:
        fit = np.isfinite(series.pull_kN) & (series.flags & np.uint8(UNFIT) == 0)
        changes = fit.any() and float(np.std(series.pull_kN[fit])) > VARIES * float(
            np.mean(np.abs(series.pull_kN[fit]))
        )
        goes = fit & bool(changes)
        dead = goes & ~known
        where = "where the pull changes"
    seconds = float(np.count_nonzero(goes)) * series.step_s
    if seconds < LEAST_S:
        return Checked(name=name, outcome=f"not checked: {seconds:.0f} s only {where}")
    share = float(np.count_nonzero(dead)) / float(np.count_nonzero(goes))
    limit = MOST_UNSOUND if gnss is not None else MOST_ONE_VALUE
    said = (
        f"missing or at nought for {100 * share:.0f} % of {seconds:.0f} s {where},"
        f" {100 * limit:.0f} % at most"
    )
    if share <= limit:
        return Checked(name=name, outcome=said)
    text = (
        f"the speed is missing or at nought for {100 * share:.0f} % of {seconds:.0f} s {where}:"
        " the wheel, its counter or its channel is dead; check it"
    )
    return Checked(name=name, outcome=said, doubt=_doubt(text, share, limit))


def _drift_at_rest(evidence: Evidence) -> Checked:
    """Told, and no verdict stopped: a force on the coupler may creep at rest, and what the zero
    did between two that were taken is in the uncertainty.
    """
    name = "pull at rest"
    drifts = [e for e in evidence.episodes if e.fault is HealthFault.DRIFTING]
    if not drifts:
        return Checked(name=name, outcome="not checked, or no drift was found while standing")
    seconds = max(e.t_stop_s - e.t_start_s for e in drifts)
    text = f"{drifts[0].words}; take a zero before and after, and compare them"
    doubt = Doubt(kind=DoubtKind.DRIFT, text=text, value=seconds, limit=0.0, stops=False)
    return Checked(name=name, outcome=f"{len(drifts)} drifts while standing", doubt=doubt)


def _moving(evidence: Evidence) -> NDArray[np.bool_]:
    """(n,) bins in which wheel or receiver says that the train moves, and the pull is known."""
    series = evidence.run.series
    with np.errstate(invalid="ignore"):
        moving = np.abs(series.speed_m_s) > MOVES_M_S
        if evidence.gnss_speed_m_s is not None:
            moving |= np.abs(evidence.gnss_speed_m_s) > RECEIVER_GOES_M_S
    return np.asarray(moving & np.isfinite(series.pull_kN))


def _doubt(text: str, share: float, limit: float) -> Doubt:
    return Doubt(kind=DoubtKind.STUCK, text=text, value=share, limit=limit)
