"""Why a figure is uncertain: typed causes, so that what figures share is known, never guessed
from a name.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from calibration.quantities.sentence import say

__all__ = ["CauseKind", "Extent", "UncertaintyCause"]


class CauseKind(StrEnum):
    """What sort of thing is uncertain."""

    CERTIFICATE = "certificate"
    """Calibration of a force cell; owner: the certificate's number."""
    STATED = "stated"
    """What a column of a table was stated to be worth; owner: the run."""
    ASSUMED = "assumed"
    """The same where nothing was stated."""
    UNLOADED = "unloaded"
    """What a calibration is uncertain by without a force; owner: that calibration, in words."""
    ZERO = "zero"
    """Owner: the run."""
    WHEEL = "wheel"
    """Owner: the number of the wheel's certificate."""
    WHEEL_BY_ROUTE = "wheel by route"
    """The wheel's scale as placing found it; owner: the run."""
    SPEED = "speed"
    """Speed and distance without a wheel's certificate; owner: the run."""
    RANDOM = "random"
    """Scatter of a mean pull; its own extent."""
    WANDER = "wander"
    """Slow wander of the pull; owner: the run; its extents are no parts of the run, but shares
    that neighbouring stretches have in common."""
    RANDOM_SPEED = "random speed"
    SLIP = "slip"
    """Of the measuring wheel, as its own jumps show it; owner: the run."""
    SCATTER = "scatter"
    """Between stretches, beyond what their own causes allow; owner: the stretches, digested."""
    FIT = "fit"
    """Scatter about a fitted curve; owner: what it was fitted to, digested."""
    MISFIT = "misfit"
    """Of a fitted curve that is of another shape than what it was fitted to; owner: the same."""
    MASS = "mass"
    """Owner: the side of the coupler."""
    ROTARY = "rotary"
    GRADE = "grade"
    """Of one stretch."""
    GRADE_COMMON = "grade common"
    """Of the whole route."""
    GRADE_OF_RUN = "grade of run"
    """Of the sum of a run's stretches."""
    CURVE = "curve"
    ACCELERATION = "acceleration"
    AMOUNT = "amount"
    """A keyed amount of fuel or water; owner: which."""
    DENSITY = "density"
    MISSING = "missing"
    """What was done while nothing was known; its own extent."""
    KEYED_INSTANT = "keyed instant"
    """Of one mark."""
    BIN_WIDTH = "bin width"
    """Of an instant that is read to a bin; its own extent."""


_LABELS: Final = {
    CauseKind.CERTIFICATE: "certificate {owner}",
    CauseKind.STATED: "stated uncertainty of {owner}",
    CauseKind.ASSUMED: "assumed uncertainty of {owner}",
    CauseKind.UNLOADED: "{owner} without load",
    CauseKind.ZERO: "zero of {owner}",
    CauseKind.WHEEL: "wheel {owner}",
    CauseKind.WHEEL_BY_ROUTE: "wheel of {owner} by the route",
    CauseKind.SPEED: "speed of {owner}",
    CauseKind.RANDOM: "scatter of the pull",
    CauseKind.WANDER: "slow wander of {owner}",
    CauseKind.RANDOM_SPEED: "scatter of the speed",
    CauseKind.SLIP: "slip of the wheel of {owner}",
    CauseKind.SCATTER: "scatter between test sections {owner}",
    CauseKind.FIT: "scatter about the fit {owner}",
    CauseKind.MISFIT: "shape of the fit {owner}",
    CauseKind.MASS: "mass of {owner}",
    CauseKind.ROTARY: "rotary allowance of {owner}",
    CauseKind.GRADE: "grade under the {owner}",
    CauseKind.GRADE_COMMON: "grade of the whole line under the {owner}",
    CauseKind.GRADE_OF_RUN: "grade of the run under the {owner}",
    CauseKind.CURVE: "curve resistance",
    CauseKind.ACCELERATION: "acceleration of the {owner}",
    CauseKind.AMOUNT: "{owner}",
    CauseKind.DENSITY: "density of {owner}",
    CauseKind.MISSING: "time without data",
    CauseKind.KEYED_INSTANT: "keyed instant",
    CauseKind.BIN_WIDTH: "bin width",
}
"""As results.json and the report write them."""


@dataclass(frozen=True, slots=True)
class Extent:
    """The part of a run that a cause acts in."""

    run: str
    part: str
    """A stretch, a section or an even piece, by its name."""

    def __str__(self) -> str:
        return f"{self.run} {self.part}"


@dataclass(frozen=True, slots=True)
class UncertaintyCause:
    """One cause. Two figures that carry the same one share its error, sign and all."""

    kind: CauseKind
    owner: str = ""
    """Whose error it is: a certificate's number, a run, a side of the coupler."""
    extent: Extent | None = None
    """Where it acts; ``None``: wherever its owner does."""
    _hash: int = field(init=False, repr=False, compare=False, default=0)
    """Worked once: a day's figures look causes up by the million."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "_hash", hash((self.kind, self.owner, self.extent)))

    def __hash__(self) -> int:
        return self._hash

    @property
    def estimate(self) -> UncertaintyCause:
        """What its degrees of freedom belong to: all parts of one wander come of one estimate."""
        if self.kind is CauseKind.WANDER:
            return UncertaintyCause(self.kind, self.owner)
        return self

    @property
    def label(self) -> str:
        """The cause in words."""
        words = self.family
        return words if self.extent is None else f"{words} {self.extent}"

    @property
    def family(self) -> str:
        """The cause in words, less its extent: what all stretches have alike."""
        before, _, after = _LABELS[self.kind].partition("{owner}")
        return say(before, self.owner, after) if "{owner}" in _LABELS[self.kind] else before
