"""The measuring wheel: pulses to metres, from a tape, a rolled-out length or a measured mile.

Circumference is ``π·D``; distance is ``counts · circumference / pulses per revolution``. A
coned
tread rolls on a radius that depends on how far the wheelset has moved across: a shift ``y``
changes
the radius by ``y·γ`` (γ the conicity), which is taken up in the uncertainty, as is wear since
the
wheel was measured.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Any, ClassVar, Final, Self

import numpy as np

from calibration.certificate import (
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
    "cone_part",
    "from_measured_length",
    "from_rolled_length",
    "from_tape",
    "slip_free_shift_m",
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
    """A measuring wheel's certificate; see ``calibration.certificate`` for the file."""

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

    def __post_init__(self) -> None:
        """Raise ``CertificateError`` for what no wheel can be."""
        if not 0.3 <= self.circumference_m <= 10.0:
            msg = f"circumference_m must be in [0.3, 10], got {self.circumference_m!r}"
            raise CertificateError(msg)
        if not 0.0 <= self.u_circumference_m <= 0.1 * self.circumference_m:
            msg = (
                "u_circumference_m must be in [0, a tenth of the circumference], got"
                f" {self.u_circumference_m!r}"
            )
            raise CertificateError(msg)
        if not 1 <= self.pulses_per_revolution <= 100_000:
            ppr = self.pulses_per_revolution
            msg = f"pulses_per_revolution must be in [1, 100000], got {ppr}"
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
        if not isinstance(budget, list) or not isinstance(details, Mapping):
            msg = "budget must be a list and details a table"
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
    readings_m: Sequence[float], *, u_tape_m: float, extra: Sequence[WheelPart] = ()
) -> tuple[float, tuple[WheelPart, ...]]:
    """Circumference and budget from readings of a wheel tape, m.

    Raises
    ------
    ValueError
        No readings, or ones that differ by more than 2 %.
    """
    mean = _agreeing(readings_m, "tape readings")
    parts = [WheelPart(cause="tape", u_m=u_tape_m, note="graduation and tension")]
    if len(readings_m) > 1:
        scatter = float(np.std(readings_m, ddof=1)) / math.sqrt(len(readings_m))
        parts.append(WheelPart(cause="repeatability", u_m=scatter, note="of the mean reading"))
    return mean, (*parts, *extra)


def from_rolled_length(
    lengths_m: Sequence[float],
    revolutions: float,
    *,
    u_length_m: float,
    extra: Sequence[WheelPart] = (),
) -> tuple[float, tuple[WheelPart, ...]]:
    """Circumference and budget from lengths rolled out over a number of revolutions."""
    if not revolutions > 0.0:
        msg = f"revolutions must be above zero, got {revolutions}"
        raise ValueError(msg)
    return from_tape(
        [x / revolutions for x in lengths_m], u_tape_m=u_length_m / revolutions, extra=extra
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
    one
    count, the crew's reaction at both ends included.
    """
    if not length_m > 0.0 or any(not c > 0.0 for c in counts):
        msg = f"length and counts must be above zero, got {length_m} m and {list(counts)}"
        raise ValueError(msg)
    each = [length_m * pulses_per_revolution / c for c in counts]
    mean = _agreeing(each, "passes over the measured length")
    mean_count = float(np.mean(counts))
    parts = [
        WheelPart(cause="measured length", u_m=mean * u_length_m / length_m),
        WheelPart(
            cause="counting",
            u_m=mean * u_count / mean_count / math.sqrt(len(each)),
            note="ends",
        ),
    ]
    if len(each) > 1:
        scatter = float(np.std(each, ddof=1)) / math.sqrt(len(each))
        parts.append(WheelPart(cause="repeatability", u_m=scatter, note="of the mean pass"))
    return mean, (*parts, *extra)


def wear_part(circumference_m: float, worn_diameter_m: float) -> WheelPart:
    """Wear until the next truing, up to ``worn_diameter_m`` off the diameter (rectangular).

    The circumference loses π times what the diameter loses; one-sided, so the half width
    counts.
    """
    u = math.pi * worn_diameter_m / 2.0 / math.sqrt(3.0)
    share = 100.0 * worn_diameter_m * math.pi / circumference_m
    return WheelPart(cause="wear until next measured", u_m=u, note=f"up to {share:.2f} %")


def cone_part(
    circumference_m: float, *, conicity: float = CONICITY, lateral_m: float = LATERAL_M
) -> WheelPart:
    """Rolling radius over a coned tread: ``δC = 2π·γ·y`` for a lateral standard deviation
    ``y``.
    """
    u = 2.0 * math.pi * conicity * lateral_m
    share = 100.0 * u / circumference_m
    return WheelPart(cause="coned tread and curves", u_m=u, note=f"{share:.2f} %")


def slip_free_shift_m(
    curve_radius_m: float, rolling_radius_m: float, *, conicity: float = CONICITY
) -> float:
    """Lateral shift for slip-free curving, ``y = r₀·e/(γ·R)`` (Redtenbacher; from memory)."""
    return rolling_radius_m * HALF_CONTACT_M / (conicity * curve_radius_m)


def _agreeing(values: Sequence[float], what: str) -> float:
    if not len(values) or any(not (math.isfinite(v) and v > 0.0) for v in values):
        msg = f"{what}: numbers above zero are wanted, got {list(values)}"
        raise ValueError(msg)
    mean = float(np.mean(values))
    if max(values) - min(values) > 0.02 * mean:
        msg = f"{what} differ by {100 * (max(values) - min(values)) / mean:.1f} %; at most 2 %"
        raise ValueError(msg)
    return mean
