"""Certificates for the papers' tests, and the words of a paper."""

from __future__ import annotations

import io
from typing import Any, Final

import pypdf

__all__ = ["FACTS", "LABORATORY", "STANDARD", "pages_of", "text_of"]

LABORATORY: Final[dict[str, Any]] = {
    "name": "Force Laboratory of the Invented Works",
    "address": "Weighbridge Lane 4\nNewbridge",
    "accreditation": "no. 0000 (invented)",
    "customer": "Line and Traction Office",
    "customer_address": "Station Road 1, Newbridge",
    "cell_maker": "Ironmark",
    "cell_type": "CX-600",
    "cell_serial": "60412",
    "indicator": "front end no. 118, 2400 samples a second",
    "cable": "12 m, six wires, no. K7",
    "received": "2026-04-28",
    "condition": "sound, connector cleaned",
    "adjustments": "none: as found and as left are the same",
    "began": "2026-05-02",
    "ended": "2026-05-03",
    "humidity_pct": [41.0, 47.0],
    "method": "procedure FL-07, edition 3",
    "deviations": "no preload at 240°",
    "decision_rule": "simple acceptance, agreed with the customer",
    "opinions": "The seat of the upper link looks worn.",
    "checked_by": "B. Second",
    "authorised_by": "A. First",
    "authorised_role": "head of the laboratory",
    "next_calibration": "By May 2027, or after any overload.",
}
STANDARD: Final[dict[str, Any]] = {
    "serial": "R-77",
    "certificate": "CAL 4711",
    "issued_by": "National Force Bench (invented)",
    "calibrated": "2025-06-01",
    "valid_until": "2027-06-01",
    "traceability": "the national realisation of the newton by dead weights",
    "drift_pct": 0.01,
    "digest": "sha256:0123",
}
FACTS: Final[dict[str, Any]] = {
    "cell": "coupler cell 12",
    "capacity_kN": 600.0,
    "reference": "build-up system, 1 MN",
    "forces_measured": True,
    "readings_stood_still": True,
    "reference_U_pct": 0.02,
    "operator": "C. Third",
    "place": "hall 2, press 3",
    "room_temperature_C": 20.5,
    "service_temperature_C": [-10.0, 40.0],
    "laboratory": LABORATORY,
    "standard": STANDARD,
}
"""Everything that a laboratory would state; all of it invented."""


def pages_of(pdf: bytes) -> list[str]:
    """The words of each page, blanks made one."""
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    return [" ".join(page.extract_text().split()) for page in pages]


def text_of(pdf: bytes) -> str:
    """The words of all pages."""
    return " ".join(pages_of(pdf))
