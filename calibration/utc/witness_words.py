"""Moments and differences of clocks in words."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final

from calibration.utc.spans import DAY_S, HAND_SET_S, NS, TURN_DAYS

__all__ = ["apart", "known_lie", "moment", "percent", "turned"]

LEAP_LIES_S: Final = (18.0, 14.0)
"""Leap seconds not learnt since 2017 (leap-second table), and a count that was seen wrong."""
LEAP_NEAR_S: Final = 1.5


def moment(utc_ns: int) -> str:
    """``2026-05-04 09:30:00Z``; the bare number where no calendar reaches."""
    try:
        return f"{datetime.fromtimestamp(utc_ns // NS, UTC):%Y-%m-%d %H:%M:%S}Z"
    except (OverflowError, ValueError, OSError):
        return f"{utc_ns} ns"


def percent(fast_by: float) -> str:
    """``8 % fast``."""
    return f"{100.0 * abs(fast_by):.3g} % {'fast' if fast_by > 0.0 else 'slow'}"


def turned(turns: int) -> str:
    """What a receiver's week counter did."""
    many = "a turn" if turns == 1 else f"{turns} turns"
    return f"the receiver's date is behind by {many} of 1024 weeks"


def apart(seconds: float) -> str:
    """A difference of two clocks, without its sign, in the unit that suits it."""
    size = abs(seconds)
    if size < 0.1:
        return f"{1e3 * size:.1f} ms"
    if size < 120.0:
        return f"{size:.2f} s"
    if size < 2.0 * DAY_S:
        return f"{size / 3600.0:.2f} h"
    return f"{size / DAY_S:,.1f} days"


def known_lie(away_s: float) -> str:
    """What a receiver so far off may have done, in words; empty where nothing is known."""
    days = away_s / DAY_S
    if abs(away_s) > DAY_S / 2 and abs(days - round(days)) * DAY_S < HAND_SET_S:
        whole = round(days) % TURN_DAYS == 0
        return " (turns of 1024 weeks)" if whole else f" ({round(days):+d} days)"
    if any(abs(abs(away_s) - leap) < LEAP_NEAR_S for leap in LEAP_LIES_S):
        return " (as leap seconds not learnt would be)"
    quarter = away_s / 900.0
    if abs(away_s) > 600.0 and abs(quarter - round(quarter)) * 900.0 < HAND_SET_S:
        return " (whole quarters of an hour, as a clock set to local time would be)"
    return ""
