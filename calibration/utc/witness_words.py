"""Moments and differences of clocks in words."""

from __future__ import annotations

from datetime import UTC, datetime

__all__ = ["apart", "moment"]


def moment(utc_ns: int) -> str:
    """``2026-05-04 09:30:00Z``; the bare number where no calendar reaches."""
    try:
        return f"{datetime.fromtimestamp(utc_ns // 10**9, UTC):%Y-%m-%d %H:%M:%S}Z"
    except (OverflowError, ValueError, OSError):
        return f"{utc_ns} ns"


def apart(seconds: float) -> str:
    """A difference of two clocks, without its sign, in the unit that suits it."""
    size = abs(seconds)
    if size < 0.1:
        return f"{1e3 * size:.1f} ms"
    if size < 120.0:
        return f"{size:.2f} s"
    if size < 172_800.0:
        return f"{size / 3600.0:.2f} h"
    return f"{size / 86_400.0:,.1f} days"
