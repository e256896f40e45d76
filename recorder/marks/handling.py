"""What the driver does, as marked: throttle, cut-off, brake, sand."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar, Final, Self

from recorder.marks.grammar import (
    LOOSE,
    NUMBER,
    SIGNED,
    MarkValue,
    MarkValueError,
    Quantity,
    number,
    plain,
    quantity,
    unit_pattern,
)
from recorder.marks.kinds import Kind

__all__ = ["FULL", "BrakeAction", "BrakeMark", "CutOffMark", "SandMark", "ThrottleMark"]

MOST_NOTCHES: Final = 32
"""A bare whole number up to this is a notch, above it per cent: controllers have at most some
thirty notches (from experience)."""

_PER_CENT: Final = re.compile(rf"({SIGNED})\s*%\Z")
_BARE: Final = re.compile(rf"{SIGNED}\Z")
_NOTCH: Final = re.compile(r"(?:notch\s*|run\s*|n\s*)?([0-9]{1,3})\Z", LOOSE)
_FULL: Final = frozenset({
    "full", "full open", "fully open", "wide open", "full throttle", "wide open throttle",
    "full regulator", "regulator full", "regulator full open", "full power",
})  # fmt: skip
_CUT_OFF_TOO: Final = re.compile(
    r"\s*[,;]?\s*(?:at\s+)?[0-9]+(?:\.[0-9]+)?\s*%\s*cut.?off\Z", re.I
)
"""``full regulator, 35 % cut-off``: the throttle's own words stand before."""
_CLOSED: Final = frozenset({"closed", "shut", "shut off", "off", "idle"})


@dataclass(frozen=True, slots=True)
class ThrottleMark(MarkValue):
    """Throttle: a notch, a share of full opening, or words."""

    kind: ClassVar[Kind] = Kind.THROTTLE
    notch: int | None = None
    per_cent: float | None = None
    """Of full opening, 0 to 100."""
    words: str = ""

    @property
    def share(self) -> float | None:
        """Of full opening, 0 to 1; None where the mark gives no share (a notch, other words)."""
        if self.per_cent is not None:
            return self.per_cent / 100.0
        own = _CUT_OFF_TOO.sub("", self.words).strip().lower()
        if self.notch == 0 or own in _CLOSED:
            return 0.0
        return 1.0 if own in _FULL else None

    @property
    def text(self) -> str:
        """``5``, ``80 %`` or words."""
        if self.per_cent is not None:
            return f"{plain(self.per_cent)} %"
        return self.words if self.notch is None else str(self.notch)

    def agrees(self, other: ThrottleMark) -> bool:
        """Whether both mean one setting: ``full`` and ``100 %`` do; two bare marks do not."""
        if self.share is not None or other.share is not None:
            return self.share == other.share
        if self.notch is not None or other.notch is not None:
            return self.notch == other.notch
        return self.words != "" and self.words.lower() == other.words.lower()

    @classmethod
    def read(cls, text: str) -> Self:
        """A whole number is a notch, above 32 per cent; with a decimal point, up to 1, a share."""
        allowed = "a notch from 0, per cent from 0 to 100, or words, for example 5 or 80 %"
        found = _PER_CENT.match(text)
        if found is not None:
            return cls(per_cent=_per_cent(found[1], allowed))
        whole = _NOTCH.match(text)
        if whole is not None:
            count = int(whole[1])
            if count <= MOST_NOTCHES:
                return cls(notch=count)
            return cls(per_cent=_per_cent(whole[1], allowed))
        if _BARE.match(text):
            if not 0.0 <= number(text) <= 1.0:
                raise MarkValueError(allowed)
            return cls(per_cent=round(100.0 * number(text), 6))
        return cls(words=text)


FULL: Final = ThrottleMark(words="full")


@dataclass(frozen=True, slots=True)
class CutOffMark(MarkValue):
    """Cut-off: per cent of the stroke, or words."""

    kind: ClassVar[Kind] = Kind.CUTOFF
    per_cent: float | None = None
    words: str = ""

    @property
    def text(self) -> str:
        """``25 %`` or words."""
        return self.words if self.per_cent is None else f"{plain(self.per_cent)} %"

    @classmethod
    def read(cls, text: str) -> Self:
        """A number is per cent, with or without its sign."""
        bare = text.removesuffix("%").strip()
        if not _BARE.match(bare):
            if text.endswith("%"):
                raise MarkValueError(_CUT_OFF_ALLOWED)
            return cls(words=text)
        return cls(per_cent=_per_cent(bare, _CUT_OFF_ALLOWED))


_CUT_OFF_ALLOWED: Final = "per cent from 0 to 100, or words, for example 25 or full gear"


class BrakeAction(StrEnum):
    """What is done with the brake valve."""

    ON = "on"
    APPLY = "apply"
    HOLD = "hold"
    EMERGENCY = "emergency"
    OFF = "off"
    RELEASE = "release"


_ACTIONS: Final = {
    **{str(a): a for a in BrakeAction},
    "applied": BrakeAction.APPLY,
    "released": BrakeAction.RELEASE,
}
_PRESSURES: Final = ("kPa", "psi", "bar")
_REDUCTION: Final = re.compile(rf"({NUMBER})(?:\s*({unit_pattern(_PRESSURES)}))?\Z", LOOSE)


@dataclass(frozen=True, slots=True)
class BrakeMark(MarkValue):
    """Brake: applied, with or without its reduction, or released."""

    kind: ClassVar[Kind] = Kind.BRAKE
    action: BrakeAction | None = None
    reduction: Quantity | None = None
    """Of the brake pipe, above zero."""

    @property
    def released(self) -> bool:
        """A bare mark counts as an application: what was not stated must not read as a release."""
        return self.action in (BrakeAction.OFF, BrakeAction.RELEASE)

    @property
    def text(self) -> str:
        """``on``, ``release`` … or ``70 kPa``."""
        if self.reduction is not None:
            return self.reduction.text
        return "" if self.action is None else self.action.value

    @classmethod
    def read(cls, text: str) -> Self:
        """A word or a reduction, bare numbers in kPa; a reduction of nothing is a release."""
        action = _ACTIONS.get(text.lower())
        if action is not None:
            return cls(action=action)
        found = _REDUCTION.match(text)
        if found is None:
            words = ", ".join(BrakeAction)
            msg = f"one of {words}, or a reduction, for example 70 kPa; 0 is a release"
            raise MarkValueError(msg)
        reduction = quantity(found[1], found[2] or "kPa", _PRESSURES)
        if reduction.amount == 0.0:
            return cls(action=BrakeAction.RELEASE)
        return cls(reduction=reduction)


_SAND: Final = re.compile(r"(on|off|0)(?:\s+(\S.*))?\Z", LOOSE)


@dataclass(frozen=True, slots=True)
class SandMark(MarkValue):
    """Sand: on or off, and where."""

    kind: ClassVar[Kind] = Kind.SAND
    on: bool | None = None
    words: str = ""

    @property
    def text(self) -> str:
        """``on``, ``off``, ``on rear wheels``."""
        if self.on is None:
            return ""
        return f"{'on' if self.on else 'off'} {self.words}".rstrip()

    @classmethod
    def read(cls, text: str) -> Self:
        """``on`` or ``off``, words after it; ``0`` is off."""
        found = _SAND.match(text)
        if found is None:
            msg = "on or off, words after it, for example off, or on rear wheels"
            raise MarkValueError(msg)
        return cls(on=found[1].lower() == "on", words=found[2] or "")


def _per_cent(text: str, allowed: str) -> float:
    value = number(text)
    if not 0.0 <= value <= 100.0:
        raise MarkValueError(allowed)
    return abs(value)
