"""The measuring wheel: pulses to metres, from a tape, a rolled-out length or a measured mile.

Circumference is ``π·D``; distance is ``counts · circumference / pulses per revolution``. A
coned tread rolls on a radius that depends on how far the wheelset has moved across: a shift
``y`` changes the radius by ``y·γ`` (γ the conicity). That, curves, and the wear to be expected
before the wheel is measured again are parts of the uncertainty, beside those of the measuring.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any, ClassVar, Final, Self

import numpy as np
from scipy.special import stdtrit

from calibration.certificates.certificate import (
    CertificateError,
    digest_of,
    read_date,
    read_number,
    read_optional_date,
    read_text,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "WheelCertificate",
    "WheelPart",
    "combined_u_m",
    "cone_part",
    "curve_part",
    "from_measured_length",
    "from_rolled_length",
    "from_tape",
    "wear_part",
]

CONICITY: Final = 0.05
"""1 in 20, the usual cone; 1 in 40 is also common (from memory)."""
LATERAL_M: Final = 0.006
"""Standard deviation of the wheelset's lateral place on straight and easily curved track."""
HALF_CONTACT_M: Final = 0.75
"""Half the distance between the contact points at standard gauge."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WheelPart:
    """One line of the budget of the circumference."""

    cause: str
    u_m: float
    """Standard uncertainty of the circumference, m."""
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class WheelCertificate:
    """A measuring wheel's certificate; its file is described in ``certificate``."""

    kind: ClassVar[str] = "wheel"

    certificate_id: str
    issued: date
    expires: date | None
    wheel: str
    """The wheel in words: axle, side, maker's number."""
    circumference_m: float
    u_circumference_m: float
    """Standard uncertainty, every part of the budget together."""
    pulses_per_revolution: int
    method: str = "stated"
    """``tape``, ``rolled length``, ``measured length`` or ``stated``."""
    parts: tuple[WheelPart, ...] = ()
    details: Mapping[str, float] = field(default_factory=dict)
    """What was measured, each with its unit in the name."""
    software: str = ""
    """Name and version of the code that issued it; empty on one issued before it was kept."""
    serial: str = ""
    """The wheel's or its counter's own number, which a car sheet names too; empty: not stated."""
    stated: Mapping[str, Any] = field(default_factory=dict)
    """Laboratory, customer, item, reference: as ``BenchSettings`` writes them."""

    def __post_init__(self) -> None:
        """Raise ``CertificateError`` for what no wheel can be."""
        if not 0.3 <= self.circumference_m <= 10.0:
            msg = f"circumference_m must be from 0.3 to 10, got {self.circumference_m!r}"
            raise CertificateError(msg)
        if not 0.0 <= self.u_circumference_m <= 0.1 * self.circumference_m:
            msg = (
                "u_circumference_m must be from 0 to a tenth of the circumference, got"
                f" {self.u_circumference_m!r}"
            )
            raise CertificateError(msg)
        if not 1 <= self.pulses_per_revolution <= 100_000:
            ppr = self.pulses_per_revolution
            msg = f"pulses_per_revolution must be from 1 to 100000, got {ppr}"
            raise CertificateError(msg)
        if self.expires is not None and self.expires < self.issued:
            msg = f"expires {self.expires} lies before issued {self.issued}"
            raise CertificateError(msg)

    @property
    def m_per_pulse(self) -> float:
        """Distance of one pulse, m."""
        return self.circumference_m / self.pulses_per_revolution

    def to_distance(self, counts: ArrayLike) -> NDArray[np.float64]:
        """Distance of counts, m, same shape; forward counts give a positive distance."""
        return np.asarray(np.asarray(counts, dtype=np.float64) * self.m_per_pulse)

    @property
    def digest(self) -> str:
        """Digest of the certificate as written."""
        return digest_of(self)

    def is_expired(self, on: date) -> bool:
        """Whether the last day of use is over."""
        return self.expires is not None and on > self.expires

    def to_document(self) -> dict[str, Any]:
        """The JSON body, without format, version and digest."""
        return {
            "kind": self.kind,
            "certificate_id": self.certificate_id,
            "issued": self.issued.isoformat(),
            "expires": None if self.expires is None else self.expires.isoformat(),
            "wheel": self.wheel,
            "circumference_m": self.circumference_m,
            "u_circumference_m": self.u_circumference_m,
            "pulses_per_revolution": self.pulses_per_revolution,
            "method": self.method,
            "budget": [{"cause": p.cause, "u_m": p.u_m, "note": p.note} for p in self.parts],
            "details": dict(self.details),
            # Left out when empty: the digests of older certificates stand.
            **({"software": self.software} if self.software else {}),
            **({"serial": self.serial} if self.serial else {}),
            **({"stated": dict(self.stated)} if self.stated else {}),
        }

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Self:
        """Inverse of :meth:`to_document`; raises ``CertificateError``."""
        pulses = read_number(document, "pulses_per_revolution", low=1, high=100_000)
        if pulses != int(pulses):
            msg = f"pulses_per_revolution must be a whole number, got {pulses!r}"
            raise CertificateError(msg)
        budget = document.get("budget", [])
        details = document.get("details", {})
        stated = document.get("stated", {})
        tables = (details, stated)
        if not isinstance(budget, list) or not all(isinstance(t, Mapping) for t in tables):
            msg = "budget must be a list, details and stated tables"
            raise CertificateError(msg)
        return cls(
            certificate_id=read_text(document, "certificate_id"),
            issued=read_date(document, "issued"),
            expires=read_optional_date(document, "expires"),
            wheel=read_text(document, "wheel", ""),
            circumference_m=read_number(document, "circumference_m"),
            u_circumference_m=read_number(document, "u_circumference_m"),
            pulses_per_revolution=int(pulses),
            method=read_text(document, "method", "stated"),
            parts=tuple(_part(row) for row in budget),
            details={str(k): read_number(details, k) for k in details},
            software=read_text(document, "software", ""),
            serial=read_text(document, "serial", ""),
            stated=stated,
        )


def _part(row: object) -> WheelPart:
    if not isinstance(row, Mapping):
        msg = f"a line of the budget must be a table, got {row!r}"
        raise CertificateError(msg)
    return WheelPart(
        cause=read_text(row, "cause"),
        u_m=read_number(row, "u_m", low=0.0),
        note=read_text(row, "note", ""),
    )


def from_tape(
    readings_m: Sequence[float],
    *,
    u_tape_m: float,
    extra: Sequence[WheelPart] = (),
    cause: str = "tape",
) -> tuple[float, tuple[WheelPart, ...]]:
    """Circumference and budget from readings of a wheel tape, m.

    ``u_tape_m`` is the standard uncertainty all readings share. The scatter of the readings is
    added as that of their mean, by Student's factor for few readings (JCGM 100, G.3).

    Raises
    ------
    ValueError
        No readings, or ones that differ by more than 2 %.
    """
    mean = _agreeing(readings_m, "tape readings")
    u_m = _known("the uncertainty of the length", u_tape_m)
    parts = [WheelPart(cause=cause, u_m=u_m, note="shared by all readings")]
    if len(readings_m) > 1:
        parts.append(_repeatability(readings_m, "readings"))
    return mean, (*parts, *extra)


def from_rolled_length(
    lengths_m: Sequence[float],
    revolutions: float,
    *,
    u_length_m: float,
    extra: Sequence[WheelPart] = (),
) -> tuple[float, tuple[WheelPart, ...]]:
    """Circumference and budget from lengths rolled out over a number of revolutions.

    ``u_length_m`` is that of one whole length, its ends and the revolutions' included.

    Raises
    ------
    ValueError
        As :func:`from_tape`, or revolutions not above zero.
    """
    if not (math.isfinite(revolutions) and revolutions > 0.0):
        msg = f"revolutions must be above zero, got {revolutions}"
        raise ValueError(msg)
    return from_tape(
        [x / revolutions for x in lengths_m],
        u_tape_m=u_length_m / revolutions,
        extra=extra,
        cause="rolled length",
    )


def from_measured_length(
    length_m: float,
    counts: Sequence[float],
    pulses_per_revolution: int,
    *,
    u_length_m: float,
    u_count: float = 1.0,
    extra: Sequence[WheelPart] = (),
) -> tuple[float, tuple[WheelPart, ...]]:
    """Circumference and budget from pulses counted over a measured mile or kilometre.

    ``C = length · pulses per revolution / counts``; ``u_count`` is the standard uncertainty of
    one count, in pulses, the crew's reaction at both ends included.

    Raises
    ------
    ValueError
        No counts, some not above zero, or passes that differ by more than 2 %.
    """
    if not (math.isfinite(length_m) and length_m > 0.0) or any(not c > 0.0 for c in counts):
        msg = f"length and counts must be above zero, got {length_m} m and {list(counts)}"
        raise ValueError(msg)
    each = [length_m * pulses_per_revolution / c for c in counts]
    mean = _agreeing(each, "passes over the measured length")
    u_one_m = mean * _known("the uncertainty of a count", u_count) / float(np.mean(counts))
    shared = mean * _known("the uncertainty of the length", u_length_m) / length_m
    ends = WheelPart(
        cause="counting", u_m=u_one_m / math.sqrt(len(each)), note="both ends of each pass"
    )
    # The scatter of the passes holds the counting's own: the larger of the two, not both.
    seen = _repeatability(each, "passes") if len(each) > 1 else ends
    counted = seen if seen.u_m > ends.u_m else ends
    return mean, (WheelPart(cause="measured length", u_m=shared), counted, *extra)


def wear_part(circumference_m: float, worn_diameter_m: float) -> WheelPart:
    """Wear until the wheel is measured or trued again: up to so much off the diameter.

    The circumference loses π times what the diameter loses. Wear goes one way and is not
    corrected for, so its mean square counts: ``u = π·w/√3``, twice that of ± w/2.

    Raises
    ------
    ValueError
        Wear below zero, or a tenth of the diameter or more.
    """
    if not 0.0 <= worn_diameter_m < 0.1 * circumference_m / math.pi:
        msg = f"wear must be from 0 to a tenth of the diameter, got {worn_diameter_m} m"
        raise ValueError(msg)
    lost_m = math.pi * worn_diameter_m
    share = 100.0 * lost_m / circumference_m
    note = f"up to {1000.0 * worn_diameter_m:g} mm of diameter, {share:.2f} % of distance"
    return WheelPart(cause="wear until measured again", u_m=lost_m / math.sqrt(3.0), note=note)


def cone_part(
    circumference_m: float, *, conicity: float = CONICITY, lateral_m: float = LATERAL_M
) -> WheelPart:
    """Rolling radius over a coned tread.

    ``u = 2π·γ·y`` for a lateral standard deviation ``y`` of the contact from where the wheel
    was measured.

    Raises
    ------
    ValueError
        A conicity or a shift that no wheelset has.
    """
    if not 0.0 <= conicity <= 0.5 or not 0.0 <= lateral_m <= 0.05:
        msg = (
            "conicity must be from 0 to 0.5 and the lateral shift from 0 to 0.05 m, got"
            f" {conicity} and {lateral_m} m"
        )
        raise ValueError(msg)
    u = 2.0 * math.pi * conicity * lateral_m
    share = 100.0 * u / circumference_m
    note = f"conicity {conicity:g}, ± {1000.0 * lateral_m:g} mm across, {share:.3f} %"
    return WheelPart(cause="coned tread", u_m=u, note=note)


def curve_part(circumference_m: float, radius_m: float, *, share: float = 1.0) -> WheelPart:
    """Curves, for a wheel that turns by itself: it rolls along its own rail.

    On a curve of radius R that rail is longer or shorter than the track's middle by ``e/R``
    (e half the distance between the contacts); rectangular, left and right alike, on a share of
    the way. The two wheels of a solid axle share the difference: to first order the axle turns
    as the middle goes, and this part is left out.

    Raises
    ------
    ValueError
        A radius below 20 m, or a share outside [0, 1].
    """
    if not radius_m >= 20.0 or not 0.0 <= share <= 1.0:
        msg = f"curve radius must be 20 m or more, share from 0 to 1, got {radius_m} m, {share}"
        raise ValueError(msg)
    relative = share * HALF_CONTACT_M / radius_m
    return WheelPart(
        cause="curves",
        u_m=circumference_m * relative / math.sqrt(3.0),
        note=f"± {100.0 * relative:.3f} % at {radius_m:g} m radius",
    )


def combined_u_m(parts: Sequence[WheelPart]) -> float:
    """Root of the sum of squares of independent parts, m."""
    return math.hypot(*(part.u_m for part in parts))


def _repeatability(values: Sequence[float], what: str) -> WheelPart:
    """Standard uncertainty of the mean of two or more values."""
    n = len(values)
    # Few values know their scatter badly: widened so that twice u is again 95.45 %.
    student = float(stdtrit(n - 1, 0.97725)) / 2.0
    u = student * float(np.std(values, ddof=1)) / math.sqrt(n)
    return WheelPart(cause="repeatability", u_m=u, note=f"of the mean of {n} {what}")


def _known(name: str, value: float) -> float:
    if not (math.isfinite(value) and value >= 0.0):
        msg = f"{name} must be a finite number, 0 or above, got {value!r}"
        raise ValueError(msg)
    return value


def _agreeing(values: Sequence[float], what: str) -> float:
    if not len(values) or any(not (math.isfinite(v) and v > 0.0) for v in values):
        msg = f"{what}: every one must be above zero, got {list(values)}"
        raise ValueError(msg)
    mean = float(np.mean(values))
    if max(values) - min(values) > 0.02 * mean:
        msg = f"{what} differ by {100 * (max(values) - min(values)) / mean:.1f} %; at most 2 %"
        raise ValueError(msg)
    return mean
