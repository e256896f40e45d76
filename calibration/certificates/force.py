"""The certificate of a force cell: counts to kilonewtons, with uncertainty and limits.

Tension (draft) is positive. Each sense has a polynomial of its own in the counts above zero,
without a constant term, so that there is no step where the train changes from draft to buff::

    force_kN = Σ c_i · (counts − zero_counts)^i        i = 1 … degree

A certificate with one polynomial for both senses has no ``compression``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar, Final, Self

import numpy as np

from calibration.certificates.certificate import (
    CertificateError,
    digest_of,
    read_date,
    read_number,
    read_optional_date,
    read_text,
)
from calibration.certificates.days import before_issue
from calibration.certificates.force_curve import (
    Preload,
    SenseCurve,
    ShuntExpectation,
    UncertaintyTable,
)
from calibration.quantities import flags as flag_bits

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["RAILS_24_BIT", "ForceCertificate"]

RAILS_24_BIT: Final = (-(2**23), 2**23 - 1)


@dataclass(frozen=True, kw_only=True)
class ForceCertificate:
    """A force cell's certificate; see ``calibration.certificates.certificate`` for the file."""

    kind: ClassVar[str] = "force"

    certificate_id: str
    issued: date
    expires: date | None
    """Last day of use; None never expires (simulated cells only, by policy)."""
    cell: str
    """The cell in words: type, maker's number."""
    serial: str = ""
    """The maker's number alone, which a car sheet names too; empty where none is stated."""
    capacity_kN: float
    """Rated capacity, above 0."""
    range_kN: tuple[float, float]
    """Lowest and highest certified force, tension +; ``(0, 500)`` is tension only."""
    nominal_zero_counts: float
    """Counts of the unloaded cell at the bench."""
    tension: SenseCurve
    compression: SenseCurve | None = None
    """None: the tension curve serves both senses."""
    uncertainty: UncertaintyTable
    reading_unit: str = ""
    """What ``counts`` stands for in the curve; empty: counts, or not stated."""
    rails: tuple[int, int] = RAILS_24_BIT
    """Counts at which the converter is saturated."""
    shunt: ShuntExpectation | None = None
    zero_limit_counts: float | None = None
    """Largest zero shift from ``nominal_zero_counts`` a field check accepts."""
    supersedes: str = ""
    """Digest of the certificate this one takes the place of."""
    software: str = ""
    """Name and version of the code that issued it; empty on one issued before it was kept."""
    details: Mapping[str, Any] = field(default_factory=dict)
    """Everything behind the curve as plain JSON: readings, settings, figures, budget."""

    def __post_init__(self) -> None:
        low, high = self.range_kN
        if not (math.isfinite(low) and math.isfinite(high) and low < high and low <= 0 <= high):
            msg = f"range_kN must be [low ≤ 0, high ≥ 0] with low < high, got {[low, high]}"
            raise CertificateError(msg)
        if not (math.isfinite(self.capacity_kN) and self.capacity_kN > 0.0):
            msg = f"capacity_kN must be above 0, got {self.capacity_kN}"
            raise CertificateError(msg)
        if not math.isfinite(self.nominal_zero_counts):
            msg = "nominal_zero_counts must be finite"
            raise CertificateError(msg)
        if self.rails[0] >= self.rails[1]:
            msg = f"rails must be [low, high], got {list(self.rails)}"
            raise CertificateError(msg)
        if not self.certificate_id.strip():
            msg = "certificate_id must not be empty"
            raise CertificateError(msg)
        if self.expires is not None and self.expires < self.issued:
            msg = f"expires {self.expires} lies before issued {self.issued}"
            raise CertificateError(msg)
        if self.compression is not None and (
            math.copysign(1.0, self.tension.coefficients[1])
            != math.copysign(1.0, self.compression.coefficients[1])
        ):
            msg = "tension and compression curves must rise the same way with counts"
            raise CertificateError(msg)

    # ------------------------------------------------------------------ use

    def to_force(
        self, counts: ArrayLike, *, zero_counts: float | NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Force from counts.

        Parameters
        ----------
        counts : (...) integer or real
        zero_counts : scalar or broadcastable
            Counts at no force (a drifting zero may be given per sample).

        Returns
        -------
        (...) float64, kN
            Tension +; NaN where counts are NaN.
        """
        # The subtraction makes the float64 copy; counts below 2**53 stay exact.
        deflection = np.asarray(np.subtract(counts, zero_counts, dtype=np.float64))
        force = self.tension.force_kN(deflection)
        if self.compression is not None:
            other = deflection < 0.0 if self.tension.coefficients[1] > 0.0 else deflection > 0.0
            if np.any(other):
                force = np.asarray(
                    np.where(other, self.compression.force_kN(deflection), force)
                )
        return force

    def to_deflection(self, force_kN: ArrayLike) -> NDArray[np.float64]:
        """Counts above zero that answer to a force: the inverse of ``to_force``.

        (...) float64. For simulated cells and checks; raises ``ValueError`` where the curve
        has no such deflection.
        """
        force = np.asarray(force_kN, dtype=np.float64)
        if self.compression is None:
            return self.tension.deflection(force)
        # Each curve is asked for forces of its own sense alone: the other way it may turn back.
        pulled = self.tension.deflection(np.maximum(force, 0.0))
        pushed = self.compression.deflection(np.minimum(force, 0.0))
        return np.where(force < 0.0, pushed, pulled)

    def standard_uncertainty_kN(self, force_kN: ArrayLike) -> NDArray[np.float64]:
        """Standard uncertainty of an indicated force, half of U; (...) float64, kN.

        What a later combination after the GUM needs of a 95 % uncertainty whose distribution is
        not normal: the u that gives U again with k = 2. One certificate stands behind all
        forces of a run: treat it as one common cause.
        """
        return self.expanded_uncertainty_kN(force_kN) / 2.0

    def expanded_uncertainty_kN(self, force_kN: ArrayLike) -> NDArray[np.float64]:
        """95 % expanded uncertainty, ``k·u``; (...) float64, kN."""
        return self.uncertainty.standard_at(force_kN) * self.uncertainty.coverage_at(force_kN)

    @cached_property
    def zero_band_kN(self) -> float:
        """Force so near zero that its sense is not known; not called out of range."""
        expanded = float(self.expanded_uncertainty_kN(0.0))
        return max(2.0 * expanded, 0.005 * self.capacity_kN)

    def flags(
        self, counts: ArrayLike, force_kN: ArrayLike, *, on: date | None
    ) -> NDArray[np.uint8]:
        """Flags of ``calibration.quantities.flags`` for each sample; (...) uint8.

        ``on`` is the day of the run; None leaves expiry unasked. NaN counts are out of range.
        """
        raw = np.asarray(counts)
        force = np.asarray(force_kN, dtype=np.float64)
        result = np.zeros(np.broadcast_shapes(raw.shape, force.shape), dtype=np.uint8)
        low, high = self.range_kN
        low, high = min(low, -self.zero_band_kN), max(high, self.zero_band_kN)
        inside = (force >= low) & (force <= high)
        result[...] |= np.where(inside, 0, flag_bits.OUT_OF_RANGE).astype(np.uint8)
        at_rail = (raw <= self.rails[0]) | (raw >= self.rails[1])
        result[...] |= np.where(at_rail, flag_bits.SATURATED, 0).astype(np.uint8)
        if on is not None and self.is_expired(on):
            result[...] |= np.uint8(flag_bits.EXPIRED)
        return result

    def is_expired(self, on: date) -> bool:
        """Whether the day lies after the last day of use, or before the day of issue."""
        return (self.expires is not None and on > self.expires) or before_issue(self.issued, on)

    @property
    def indicated_in(self) -> str:
        """Unit of the readings behind the curve; ``counts`` where none is stated.

        One issued before the unit was kept may still hold it beside its readings.
        """
        readings = self.details.get("readings")
        behind = readings.get("reading_unit") if isinstance(readings, Mapping) else None
        stated = self.reading_unit or (behind if isinstance(behind, str) else "")
        return "counts" if stated in ("", "reading") else stated

    # ------------------------------------------------------------- identity

    @cached_property
    def digest(self) -> str:
        """SHA-256 of the certificate as it is written, ``"sha256:…"``."""
        return digest_of(self)

    def to_document(self) -> dict[str, Any]:
        """Plain JSON values; the inverse of ``from_document``."""
        shunt = self.shunt
        return {
            "certificate_id": self.certificate_id,
            "issued": self.issued.isoformat(),
            "expires": None if self.expires is None else self.expires.isoformat(),
            "cell": self.cell,
            # Left out when empty, as below: the digests of older certificates stand.
            **({"serial": self.serial} if self.serial else {}),
            "capacity_kN": self.capacity_kN,
            "range_kN": list(self.range_kN),
            "nominal_zero_counts": self.nominal_zero_counts,
            **({"reading_unit": self.reading_unit} if self.reading_unit else {}),
            "rails": list(self.rails),
            "curve": {
                "model": "force_kN = sum c[i] * (counts - zero_counts)**i, tension +",
                "tension": list(self.tension.coefficients),
                "compression": None
                if self.compression is None
                else list(self.compression.coefficients),
                **_preloads(self.tension, self.compression),
            },
            "uncertainty": {
                "force_kN": list(self.uncertainty.force_kN),
                "standard_kN": list(self.uncertainty.standard_kN),
                "coverage_factor": list(self.uncertainty.coverage_factor),
            },
            "shunt": None
            if shunt is None
            else {
                "deflection_counts": shunt.deflection_counts,
                "limit_counts": shunt.limit_counts,
                "resistor": shunt.resistor,
                "temperature_C": shunt.temperature_C,
            },
            "zero_limit_counts": self.zero_limit_counts,
            "supersedes": self.supersedes,
            **({"software": self.software} if self.software else {}),
            "details": dict(self.details),
        }

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Self:
        """Make a certificate from plain JSON values; raises ``CertificateError``."""
        curve = _mapping(document, "curve")
        table = _mapping(document, "uncertainty")
        compression = curve.get("compression")
        rails = _numbers(document, "rails", 2)
        limits = _numbers(document, "range_kN", 2)
        issued = read_date(document, "issued")
        zero_limit = document.get("zero_limit_counts")
        return cls(
            certificate_id=read_text(document, "certificate_id"),
            issued=issued,
            expires=read_optional_date(document, "expires"),
            cell=read_text(document, "cell", ""),
            serial=read_text(document, "serial", ""),
            capacity_kN=read_number(document, "capacity_kN"),
            range_kN=(limits[0], limits[1]),
            nominal_zero_counts=read_number(document, "nominal_zero_counts"),
            tension=_read_curve(curve, "tension"),
            compression=None if compression is None else _read_curve(curve, "compression"),
            uncertainty=UncertaintyTable(
                _numbers(table, "force_kN"),
                _numbers(table, "standard_kN"),
                _numbers(table, "coverage_factor"),
            ),
            reading_unit=read_text(document, "reading_unit", ""),
            rails=(int(rails[0]), int(rails[1])),
            shunt=_read_shunt(document),
            zero_limit_counts=None
            if zero_limit is None
            else read_number(document, "zero_limit_counts", low=0.0),
            supersedes=read_text(document, "supersedes", ""),
            software=read_text(document, "software", ""),
            details=_mapping(document, "details"),
        )

    @classmethod
    def from_coefficients(
        cls,
        tension: Sequence[float],
        *,
        compression: Sequence[float] | None = None,
        capacity_kN: float,
        range_kN: tuple[float, float] | None = None,
        nominal_zero_counts: float = 0.0,
        u_zero_kN: float = 0.0,
        u_relative: float = 0.0,
        certificate_id: str = "simulated cell",
        cell: str = "simulated cell",
        issued: date = date(2026, 1, 1),
        expires: date | None = None,
        shunt: ShuntExpectation | None = None,
        zero_limit_counts: float | None = None,
        details: Mapping[str, Any] | None = None,
    ) -> Self:
        """A certificate from known coefficients: simulated cells, old paper certificates.

        ``tension[i]`` (and ``compression[i]``, None: the same curve) multiply
        ``(counts − zero)**i``; the first must be 0. Standard uncertainty
        ``√(u_zero_kN² + (u_relative·force)²)``, k = 2. ``range_kN`` defaults to both senses up
        to capacity.
        """
        limits = (-capacity_kN, capacity_kN) if range_kN is None else range_kN
        forces = np.unique(np.concatenate((np.linspace(limits[0], limits[1], 41), [0.0])))
        standard = np.hypot(u_zero_kN, u_relative * forces)
        return cls(
            certificate_id=certificate_id,
            issued=issued,
            expires=expires,
            cell=cell,
            capacity_kN=float(capacity_kN),
            range_kN=(float(limits[0]), float(limits[1])),
            nominal_zero_counts=float(nominal_zero_counts),
            tension=SenseCurve(tuple(float(c) for c in tension)),
            compression=None
            if compression is None
            else SenseCurve(tuple(float(c) for c in compression)),
            uncertainty=UncertaintyTable(
                tuple(forces.tolist()), tuple(standard.tolist()), (2.0,) * len(forces)
            ),
            shunt=shunt,
            zero_limit_counts=zero_limit_counts,
            details={} if details is None else details,
        )


def _mapping(document: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = document.get(key)
    if not isinstance(value, Mapping):
        msg = f"{key} must be a table, got {value!r}"
        raise CertificateError(msg)
    return value


def _numbers(
    document: Mapping[str, Any], key: str, length: int | None = None
) -> tuple[float, ...]:
    value = document.get(key)
    if not isinstance(value, list) or (length is not None and len(value) != length):
        wanted = "a list of numbers" if length is None else f"a list of {length} numbers"
        msg = f"{key} must be {wanted}, got {value!r}"
        raise CertificateError(msg)
    return tuple(read_number({key: item}, key) for item in value)


def _preloads(tension: SenseCurve, compression: SenseCurve | None) -> dict[str, Any]:
    """Left out where no spring is preloaded: the digests of older certificates stand."""
    named = {"tension": tension, "compression": compression}
    held = {
        name: {"force_kN": curve.preload.force_kN, "held_counts": curve.preload.held_counts}
        for name, curve in named.items()
        if curve is not None and curve.preload is not None
    }
    return {"preload": held} if held else {}


def _read_curve(curve: Mapping[str, Any], sense: str) -> SenseCurve:
    preloads = _mapping(curve, "preload") if "preload" in curve else {}
    if sense not in preloads:
        return SenseCurve(_numbers(curve, sense))
    held = _mapping(preloads, sense)
    preload = Preload(read_number(held, "force_kN"), read_number(held, "held_counts"))
    return SenseCurve(_numbers(curve, sense), preload)


def _read_shunt(document: Mapping[str, Any]) -> ShuntExpectation | None:
    if document.get("shunt") is None:
        return None
    table = _mapping(document, "shunt")
    temperature = table.get("temperature_C")
    return ShuntExpectation(
        deflection_counts=read_number(table, "deflection_counts"),
        limit_counts=read_number(table, "limit_counts"),
        resistor=read_text(table, "resistor", ""),
        temperature_C=None if temperature is None else read_number(table, "temperature_C"),
    )
