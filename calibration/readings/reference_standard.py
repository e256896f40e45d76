"""The reference standard of a bench calibration, as its own certificate states it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

__all__ = ["ReferenceStandard"]


@dataclass(frozen=True, kw_only=True)
class ReferenceStandard:
    """Stated facts; None or empty where not stated.

    What the budget needs of it (expanded uncertainty, its factor, temperature) stands among
    the flat settings.
    """

    serial: str = ""
    certificate: str = ""
    """Number of its certificate."""
    issued_by: str = ""
    """The laboratory that calibrated it."""
    calibrated: date | None = None
    valid_until: date | None = None
    traceability: str = ""
    """To which national realisation, in words."""
    drift_pct: float | None = None
    """Largest change of sensitivity between its calibrations, % of reading."""
    digest: str = ""
    """Of its certificate where that is a file of ours."""
    document: Mapping[str, Any] = field(default_factory=dict)
    """That certificate in full; empty where it is paper."""
