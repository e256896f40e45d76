"""What every figure of a run is worked from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from recorder.analysis.series.corrections import Corrected
    from recorder.analysis.series.series import Series
    from recorder.analysis.series.train import TrialTrain
    from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty
    from recorder.marks.mark import Mark

__all__ = ["RunBasis"]


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
    marks: tuple[Mark, ...] = ()
    """Newest revisions in order of run time."""
