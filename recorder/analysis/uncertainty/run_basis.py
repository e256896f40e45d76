"""What every figure of a run is worked from."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from recorder.analysis.uncertainty.wander import Wander, usual_wander

if TYPE_CHECKING:
    from recorder.analysis.series.corrections import Corrected
    from recorder.analysis.series.series import Series
    from recorder.analysis.series.train import TrialTrain
    from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty
    from recorder.marks.mark import Mark

__all__ = ["KEYED_U_S", "USUAL_REACTION", "RunBasis"]

KEYED_U_S: Final = 0.2
"""One application is keyed as late as another only within a fifth of a second (common
practice)."""
USUAL_REACTION: Final = (0.65, math.hypot(0.7 / math.sqrt(12.0), KEYED_U_S))
"""A person keys 0.3 to 1 s late (from experience): as likely anywhere between (JCGM 100:2008,
4.3.7), and one key as another within their scatter."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunBasis:
    """One run on its grid: what was read, corrected, keyed, and what the instruments are worth.

    Arrays of ``corrected`` lie on the grid of ``series``.
    """

    name: str
    """Tells the run from others of a campaign."""
    series: Series
    corrected: Corrected
    train: TrialTrain
    instruments: InstrumentUncertainty
    reaction: tuple[float, float] = USUAL_REACTION
    """By how much the crew keys late and its standard uncertainty, s: as placing fitted it by
    the posts, else as people do."""
    wander: Wander = field(default_factory=usual_wander)
    """Of the pull, as a share of it: as the run's stretches show it, else as it is usual."""
    marks: tuple[Mark, ...] = ()
    """Newest revisions in order of run time."""
