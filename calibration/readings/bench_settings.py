"""What is stated about a bench calibration, beside its readings."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import date
from types import MappingProxyType
from typing import Any, Final, Self

from calibration.readings.data_sheet import DataSheet
from calibration.readings.laboratory import Laboratory
from calibration.readings.reference_standard import ReferenceStandard
from calibration.readings.stated_facts import facts_document, fail_fact, read_facts

__all__ = ["ELEMENTS", "BenchSettings"]

ELEMENTS: Final = ("strain-gauged cell", "strain-gauged coupler", "capsule", "draft spring")

LIMITS: Final[Mapping[str, tuple[float, float, str]]] = MappingProxyType(
    {
        "capacity_kN": (0.0, 1e5, "a number above 0, at most 1e5 kN"),
        "reference_U_pct": (1e-5, 100.0, "1e-5 to 100 %, as the standard's certificate states"),
        "reference_k": (1.0, 4.0, "1 to 4, as the standard's certificate states beside its U"),
        "stability_pct": (0.0, 100.0, "0 to 100 %"),
    }
)
"""Lowest, highest, and both in words. No press goes beyond ten thousand tonnes, no realisation of
the newton below a part in ten million, and a factor for 95 % lies near 2 (from experience)."""


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
    zero_within_K: float = 10.0
    """Largest change of temperature between a zero taken in the field and a reading (common
    practice: a zero every morning and after every change of weather)."""
    stability_pct: float | None = None
    """Largest change of sensitivity expected between calibrations, % of reading."""
    resolution: float | None = None
    """Smallest step of the indication, unit of reading; None: from the readings."""
    degree: int | None = None
    """Asked for; None: by the standard's rule."""
    e74_falling: bool = False
    """Pool falling readings with the rising ones in the figures of ASTM E74."""
    shunt_deflection: float | None = None
    """Reading with the shunt less reading without, unit of reading."""
    shunt_limit_pct: float = 0.25
    shunt_resistor: str = ""
    zero_limit_pct: float = 1.0
    """Largest zero shift in the field, % of the deflection at capacity."""
    transmitter_Pa_per_reading: float | None = None
    """Capsule: pressure for one unit of reading, from the transmitter's certificate."""
    nominal_area_m2: float | None = None
    """Capsule: effective area by the drawing or an earlier certificate, held against."""
    transducer_m_per_reading: float | None = None
    """Draft spring: displacement for one unit of reading."""
    accepted_rows: tuple[int, ...] = ()
    """Rows in doubt that stand by the technician's word."""
    accepted_reason: str = ""
    """Why they stand."""
    forces_measured: bool | None = None
    """Whether the standard measured or realised the force of every reading, none being only the
    planned one; None: as the readings' own column of doubts says."""
    readings_stood_still: bool | None = None
    """Whether every reading of an indicator by eye was taken while it stood still, and none in
    spite of a doubt."""
    remarks: str = ""
    supersedes: str = ""
    standard: ReferenceStandard = field(default_factory=ReferenceStandard)
    data_sheet: DataSheet = field(default_factory=DataSheet)
    laboratory: Laboratory = field(default_factory=Laboratory)

    def __post_init__(self) -> None:
        if self.element not in ELEMENTS:
            self.fail("element", self.element, "one of " + ", ".join(ELEMENTS))
        for name in ("resolution", "nominal_area_m2"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0.0):
                self.fail(name, value, "a number above 0")
        for name, (low, high, words) in LIMITS.items():
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                self.fail(name, value, words)
        if self.capacity_kN == 0.0:
            self.fail("capacity_kN", self.capacity_kN, LIMITS["capacity_kN"][2])
        for name in ("shunt_limit_pct", "zero_limit_pct", "zero_within_K"):
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
        if any(row < 1 for row in self.accepted_rows):
            self.fail("accepted_rows", list(self.accepted_rows), "rows of the table, from 1")
        if bool(self.accepted_rows) != bool(self.accepted_reason.strip()):
            allowed = "rows and the reason why they stand, both or neither"
            self.fail("accepted_reason", self.accepted_reason, allowed)
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
        """Raise the one-line ``CertificateError`` of a setting."""
        fail_fact(name, got, allowed)

    def to_document(self) -> dict[str, Any]:
        """Plain JSON; groups in which nothing is stated are left out, and later facts too."""
        document = {
            item.name: value
            for item in fields(self)
            if item.name not in GROUPS
            for value in [getattr(self, item.name)]
        }
        document["issued"] = None if self.issued is None else self.issued.isoformat()
        for name in _LEFT_OUT:
            if document[name] in ((), "", None):
                del document[name]
        if self.accepted_rows:
            document["accepted_rows"] = list(self.accepted_rows)
        if self.service_temperature_C is not None:
            document["service_temperature_C"] = list(self.service_temperature_C)
        for name, kind in GROUPS.items():
            group = getattr(self, name)
            if group != kind():
                document[name] = facts_document(group)
        return document

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Self:
        """The inverse of ``to_document``; raises ``CertificateError``."""
        flat = {name: value for name, value in document.items() if name not in GROUPS}
        groups = {}
        for name, kind in GROUPS.items():
            table = document.get(name, {})
            if not isinstance(table, Mapping):
                fail_fact(name, table, "a table of stated facts")
            groups[name] = read_facts(kind, table, group=name)
        return replace(read_facts(cls, flat), **groups)


_LEFT_OUT: Final = (
    "accepted_rows",
    "accepted_reason",
    "forces_measured",
    "readings_stood_still",
)
"""Not written where not stated: the digests of older certificates stand."""
GROUPS: Final[Mapping[str, Any]] = MappingProxyType(
    {"standard": ReferenceStandard, "data_sheet": DataSheet, "laboratory": Laboratory}
)
"""Groups of facts within the settings, each a table of its own."""
