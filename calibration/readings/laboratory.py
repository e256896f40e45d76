"""Who calibrated what for whom, where, and in what state: the words a certificate needs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from calibration.readings.stated_facts import fail_fact

__all__ = ["Laboratory"]


@dataclass(frozen=True, kw_only=True)
class Laboratory:
    """Stated facts, as ISO/IEC 17025 clause 7.8 asks for them; empty where not stated."""

    name: str = ""
    address: str = ""
    accreditation: str = ""
    """Number and body of its accreditation, as it words them itself; nobody checks them here."""
    customer: str = ""
    customer_address: str = ""
    cell_maker: str = ""
    cell_type: str = ""
    cell_serial: str = ""
    """The maker's number on the cell: a car sheet names the same."""
    indicator: str = ""
    """The instrument that read the cell, with its number and settings."""
    cable: str = ""
    """Cable and connector, with length and number."""
    received: date | None = None
    condition: str = ""
    """Of the item, as received."""
    adjustments: str = ""
    """As found and as left; what was adjusted."""
    began: date | None = None
    ended: date | None = None
    humidity_pct: tuple[float, float] | None = None
    """Lowest and highest relative humidity during the calibration."""
    method: str = ""
    """The laboratory's procedure and its edition."""
    deviations: str = ""
    """From the method, as agreed; ``none`` is a statement too."""
    decision_rule: str = ""
    """Of the laboratory, beside the one by which the classes are decided."""
    opinions: str = ""
    """Opinions and interpretations, apart from the results."""
    checked_by: str = ""
    authorised_by: str = ""
    authorised_role: str = ""
    next_calibration: str = ""
    """A recommendation, apart from the statement of results."""

    def __post_init__(self) -> None:
        wet = self.humidity_pct
        if wet is not None and not 0.0 <= wet[0] <= wet[1] <= 100.0:
            fail_fact("laboratory.humidity_pct", wet, "low before high, 0 to 100 %")
        if self.began is not None and self.ended is not None and self.ended < self.began:
            fail_fact("laboratory.ended", self.ended, f"not before began ({self.began})")
