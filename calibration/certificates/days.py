"""The day a certificate is issued on, and from when on it is in force."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Final

__all__ = ["ZONES", "before_issue", "local_day"]

ZONES: Final = timedelta(days=1)
"""A certificate bears the day of its laboratory, a run that of UTC: either may be a day ahead."""


def local_day(now: datetime | None = None) -> date:
    """The day at this computer's place: that of a certificate made here now.

    ``now`` must know its zone; None is the computer's clock.
    """
    return (now or datetime.now(UTC)).astimezone().date()


def before_issue(issued: date, on: date) -> bool:
    """Whether the day of issue had begun nowhere on Earth yet on a day of UTC."""
    return issued > on + ZONES
