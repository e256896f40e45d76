"""Every check of a run, in the order in which they are told."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from recorder.analysis.plausibility.certified import check_certificates
from recorder.analysis.plausibility.effort import (
    check_adhesion,
    check_cylinders,
    check_power,
)
from recorder.analysis.plausibility.numbering import check_keyed, check_sheet_numbers
from recorder.analysis.plausibility.pull_balance import check_pull
from recorder.analysis.plausibility.rolling import check_gnss, check_posts, check_speed
from recorder.analysis.plausibility.sheets_alone import check_sheets
from recorder.analysis.plausibility.stuck import check_stuck

if TYPE_CHECKING:
    from recorder.analysis.plausibility.doubt import Checked
    from recorder.analysis.plausibility.evidence import Evidence

__all__ = ["checks_of"]

CHECKS: Final = (
    check_pull,
    check_speed,
    check_gnss,
    check_posts,
    check_adhesion,
    check_power,
    check_cylinders,
    check_keyed,
    check_stuck,
    check_certificates,
)


def checks_of(evidence: Evidence) -> tuple[Checked, ...]:
    """Every check with its outcome: those of the sheets alone after those of the record."""
    record = [checked for check in CHECKS for checked in check(evidence)]
    trip, route = evidence.trip, evidence.route
    sheets = check_sheet_numbers(None, route) if trip is None else check_sheets(trip, route)
    return (*record, *sheets)
