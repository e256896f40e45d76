"""One margin judged: did it make what was specified, and how sure are we.

Decision rule (after JCGM 106:2012, guarded acceptance and guarded rejection): with the margin
``d = measured − specified`` and its standard uncertainty ``u``,

* ``meets`` when the probability that the true margin is at least zero is 95 % or more,
* ``does not meet`` when that probability is 5 % or less,
* ``cannot be told`` in between.
"""

from __future__ import annotations

import math
from enum import StrEnum
from typing import Final

from scipy.special import stdtr

from recorder.analysis.uncertainty.measured import Measured

__all__ = [
    "RISK",
    "StartingVerdict",
    "Verdict",
    "judge_margin",
    "judge_starting",
]

RISK: Final = 0.05
"""Of a wrong verdict, either way."""


class Verdict(StrEnum):
    """As results.json writes it."""

    MEETS = "meets"
    DOES_NOT_MEET = "does not meet"
    CANNOT_TELL = "cannot be told with this uncertainty"
    REFUSED = "cannot be told: refused"
    """Stretches there are, but none was admitted to judgement."""
    NOT_MEASURED = "cannot be told: not measured"
    """Pull or speed is in counts or pulses: no certificate makes either of them."""
    DOUBTED = "cannot be told: the record is doubted"
    DISAGREE = "cannot be told: the runs do not agree"
    NOT_SPECIFIED = "not specified at this speed"
    NOT_TESTED = "not tested"
    NO_SPECIFICATION = "no specification"


class StartingVerdict(StrEnum):
    """Of the starting pull: a start shows that the pull is there; one that needed less does not
    show that it is not.
    """

    MEETS = "meets"
    NOT_SHOWN = "not shown by these starts"
    NOT_TESTED = "not tested: no start from rest in the run"
    DISAGREE = "cannot be told: the runs do not agree"
    DOUBTED = "cannot be told: the record is doubted"
    NOT_SPECIFIED = "no starting pull specified"


def judge_margin(margin: Measured, *, risk: float = RISK) -> tuple[Verdict, float]:
    """Verdict and probability that the true margin is at least zero (Student's t)."""
    u = margin.u
    if not math.isfinite(margin.value) or not math.isfinite(u):
        return Verdict.CANNOT_TELL, math.nan
    if u == 0.0:
        return (Verdict.MEETS, 1.0) if margin.value >= 0.0 else (Verdict.DOES_NOT_MEET, 0.0)
    dof = min(margin.effective_dof, 1e6)
    probability = float(stdtr(max(dof, 1.0), margin.value / u))
    if probability >= 1.0 - risk:
        return Verdict.MEETS, probability
    if probability <= risk:
        return Verdict.DOES_NOT_MEET, probability
    return Verdict.CANNOT_TELL, probability


def judge_starting(starting: Measured | None, limit_kN: float | None) -> StartingVerdict:
    """The greatest starting pull against what is specified."""
    if limit_kN is None:
        return StartingVerdict.NOT_SPECIFIED
    if starting is None:
        return StartingVerdict.NOT_TESTED
    word, _ = judge_margin(starting.shifted(-limit_kN))
    return StartingVerdict.MEETS if word is Verdict.MEETS else StartingVerdict.NOT_SHOWN
