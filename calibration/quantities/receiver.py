"""What the speed that a receiver gives is usually worth: each figure once, for all that ask it."""

from __future__ import annotations

from typing import Final

__all__ = ["RECEIVER_GOES_M_S", "RECEIVER_REST_M_S", "RECEIVER_U_M_S"]

RECEIVER_U_M_S: Final = 0.1
"""Standard uncertainty of one speed, and of its mean over longer (from memory of makers' data
sheets)."""
RECEIVER_REST_M_S: Final = 0.5
"""Receivers at rest show 0.1 to 0.3 m/s (from experience); half a metre a second is a train."""
RECEIVER_GOES_M_S: Final = 1.5
"""More than any receiver's scatter at rest: where it says so, the train goes (from experience)."""
