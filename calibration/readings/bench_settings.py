"""What is stated about a bench calibration, beside its readings."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from datetime import date
from typing import Any, Final, Self

from calibration.certificates.certificate import CertificateError, read_date

__all__ = ["ELEMENTS", "BenchSettings"]

ELEMENTS: Final = ("strain-gauged cell", "strain-gauged coupler", "capsule", "draft spring")


@dataclass(frozen=True, kw_only=True)
class BenchSettings:
    """Stated facts; None where not stated. Checked on construction."""

    cell: str = "cell not named"
    element: str = "strain-gauged cell"
    """One of ``ELEMENTS``."""
    capacity_kN: float | None = None
    """None: the largest force applied."""
    certificate_id: str = ""
    """Empty: made from the cell's name and the day."""
    issued: date | None = None
    valid_months: int = 12
    """Policy for expiry."""
    operator: str = ""
    place: str = ""
    reference: str = ""
    """The reference standard and its own certificate's number."""
    reference_U_pct: float | None = None
    """Expanded relative uncertainty of the applied force, %."""
    reference_k: float = 2.0
    reference_temperature_coefficient_pct_per_K: float | None = None
    reference_temperature_C: float | None = None
    """At which the reference was calibrated."""
    room_temperature_C: float | None = None
    service_temperature_C: tuple[float, float] | None = None
    """Lowest and highest on the road."""
    stability_pct: float | None = None
    """Largest change of sensitivity expected between calibrations, % of reading."""
    resolution: float | None = None
    """Smallest step of the indication, unit of reading; None: from the readings."""
    degree: int | None = None
    """Asked for; None: by the standard's rule."""
    shunt_deflection: float | None = None
    """Reading with the shunt less reading without, unit of reading."""
    shunt_limit_pct: float = 0.25
    shunt_resistor: str = ""
    zero_limit_pct: float = 1.0
    """Largest zero shift in the field, % of the deflection at capacity."""
    transmitter_Pa_per_reading: float | None = None
    """Capsule: pressure for one unit of reading, from the transmitter's certificate."""
    transducer_m_per_reading: float | None = None
    """Draft spring: displacement for one unit of reading."""
    remarks: str = ""
    supersedes: str = ""

    def __post_init__(self) -> None:
        if self.element not in ELEMENTS:
            self.fail("element", self.element, "one of " + ", ".join(ELEMENTS))
        for name in ("capacity_kN", "resolution"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0.0):
                self.fail(name, value, "a number above 0")
        for name in ("reference_U_pct", "stability_pct"):
            value = getattr(self, name)
            if value is not None and not 0.0 <= value <= 100.0:
                self.fail(name, value, "0 to 100 %")
        for name in ("reference_k", "shunt_limit_pct", "zero_limit_pct"):
            if not 0.0 < getattr(self, name) <= 100.0:
                self.fail(name, getattr(self, name), "above 0 and at most 100")
        for name in (
            "transmitter_Pa_per_reading",
            "transducer_m_per_reading",
            "shunt_deflection",
        ):
            value = getattr(self, name)
            if value is not None and (not math.isfinite(value) or value == 0.0):
                self.fail(name, value, "a finite number other than 0")
        if self.degree is not None and not 1 <= self.degree <= 5:
            self.fail("degree", self.degree, "1 to 5")
        if not 1 <= self.valid_months <= 60:
            self.fail("valid_months", self.valid_months, "1 to 60")
        self._check_temperatures()

    def _check_temperatures(self) -> None:
        service = self.service_temperature_C
        for name, value in (
            ("room_temperature_C", self.room_temperature_C),
            ("reference_temperature_C", self.reference_temperature_C),
            *(("service_temperature_C", t) for t in service or ()),
        ):
            if value is not None and not -80.0 <= value <= 150.0:
                self.fail(name, value, "-80 to 150 °C")
        if service is not None and not service[0] <= service[1]:
            self.fail("service_temperature_C", service, "low before high")
        coefficient = self.reference_temperature_coefficient_pct_per_K
        if coefficient is not None and not abs(coefficient) <= 10.0:
            self.fail(
                "reference_temperature_coefficient_pct_per_K", coefficient, "-10 to 10 %/K"
            )

    @staticmethod
    def fail(name: str, got: object, allowed: str) -> None:
        """Raise the one-line error of a setting."""
        msg = f"{name} is {got!r}; allowed: {allowed}"
        raise CertificateError(msg)

    def to_document(self) -> dict[str, Any]:
        """Plain JSON."""
        document = asdict(self)
        document["issued"] = None if self.issued is None else self.issued.isoformat()
        if self.service_temperature_C is not None:
            document["service_temperature_C"] = list(self.service_temperature_C)
        return document

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Self:
        """The inverse of ``to_document``; raises ``CertificateError``."""
        known = {f.name: f for f in fields(cls)}
        unknown = sorted(set(document) - set(known))
        if unknown:
            msg = f"unknown setting {unknown[0]!r}; known: {', '.join(known)}"
            raise CertificateError(msg)
        values = dict(document)
        for name, value in document.items():
            _check_type(name, value, str(known[name].type))
        if values.get("issued") is not None:
            values["issued"] = read_date(values, "issued")
        service = values.get("service_temperature_C")
        if service is not None:
            values["service_temperature_C"] = (float(service[0]), float(service[1]))
        return cls(**values)


def _check_type(name: str, value: object, declared: str) -> None:
    if value is None and "None" in declared:
        return
    if declared.startswith("tuple"):
        pair = value if isinstance(value, list | tuple) else ()
        good = len(pair) == 2 and all(_is_number(v) for v in pair)
    elif declared.startswith("str"):
        good = isinstance(value, str)
    elif declared.startswith("int"):
        good = isinstance(value, int) and not isinstance(value, bool)
    elif declared.startswith("date"):
        good = isinstance(value, str)
    else:
        good = _is_number(value)
    if not good:
        BenchSettings.fail(name, value, declared)


def _is_number(value: object) -> bool:
    return (
        isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    )
