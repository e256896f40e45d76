"""Spans of time that the witnesses of UTC are judged by."""

from __future__ import annotations

from typing import Final

__all__ = ["DAY_NS", "DAY_S", "HAND_SET_S", "NS", "TURN_DAYS"]

NS: Final = 1_000_000_000
"""Nanoseconds in a second."""
DAY_S: Final = 86_400
DAY_NS: Final = DAY_S * NS
TURN_DAYS: Final = 7 * 1024
"""Receivers count weeks modulo 1024 (definition of the Global Positioning System)."""
HAND_SET_S: Final = 2.5
"""A clock set by hand, or by a server some hours ago, agrees with the truth to about so much
(from experience)."""
