"""Instruments that show one value whatever the train does."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.analysis.plausibility.doubt import Checked, Doubt, DoubtKind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.analysis.plausibility.evidence import Evidence

__all__ = ["check_stuck"]

LEAST_S: Final = 120.0
"""Shorter, a steady train on a coarse table may show one value."""
MOST_SHARE: Final = 0.95
"""Of the moving time at one and the same value."""
VARIES: Final = 0.05
"""Relative spread of the other quantity that says the train was not steady."""


def check_stuck(evidence: Evidence) -> list[Checked]:
    """A pull that never changes while the speed does, and a speed while the pull does."""
    series = evidence.run.series
    moving = evidence.running
    pull, speed = series.pull_kN[moving], np.abs(series.speed_m_s[moving])
    seconds = float(np.count_nonzero(moving)) * series.step_s
    return [
        _check("pull", pull, "speed", speed, seconds),
        _check("speed", speed, "pull", pull, seconds),
    ]


def _check(
    what: str,
    values: NDArray[np.float64],
    other_name: str,
    other: NDArray[np.float64],
    seconds: float,
) -> Checked:
    name = f"{what} alive"
    if seconds < LEAST_S:
        return Checked(name=name, outcome=f"not checked: moved for {seconds:.0f} s only")
    _, counts = np.unique(values, return_counts=True)
    share = float(counts.max()) / len(values)
    said = (
        f"{100 * share:.0f} % of the moving time at one value, {100 * MOST_SHARE:.0f} % at most"
    )
    varies = float(np.std(other)) > VARIES * float(np.mean(np.abs(other)))
    if share <= MOST_SHARE or not varies:
        return Checked(name=name, outcome=said)
    text = (
        f"the {what} shows one and the same value for {100 * share:.0f} % of {seconds:.0f} s in"
        f" motion while the {other_name} changes: the instrument or its reading is stuck; check it"
    )
    doubt = Doubt(kind=DoubtKind.STUCK, text=text, value=share, limit=MOST_SHARE)
    return Checked(name=name, outcome=said, doubt=doubt)
