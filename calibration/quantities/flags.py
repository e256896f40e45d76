"""Per-sample flags, one byte a sample, kept beside the calibrated value."""

from typing import Final

__all__ = [
    "ALL_FLAGS",
    "EXPIRED",
    "OUT_OF_RANGE",
    "SATURATED",
    "SPIKE",
    "SUSPECT",
    "UNSOUND",
    "describe",
]

SATURATED: Final = 1
"""The converter stood at a rail: the true value is beyond the number."""
OUT_OF_RANGE: Final = 2
"""Outside the range the certificate covers."""
EXPIRED: Final = 4
"""The certificate had expired on the day."""
SUSPECT: Final = 8
"""Taken while the device reported a fault of its own."""
SPIKE: Final = 16
"""A single sample that left its neighbours by ten of their usual steps: no force does that."""
UNSOUND: Final = 32
"""In a stretch in which the channel stood still against other witnesses, or disagreed with its
double: the number is no evidence."""

_WORDS: Final = {
    SATURATED: "saturated",
    OUT_OF_RANGE: "out of certified range",
    EXPIRED: "certificate expired",
    SUSPECT: "suspect",
    SPIKE: "spike",
    UNSOUND: "stuck or contradicted",
}


ALL_FLAGS: Final = tuple(_WORDS)
"""Every bit, in order."""


def describe(flags: int) -> str:
    """Flags in words, joined by commas; ``"ok"`` when none is set."""
    words = [text for bit, text in _WORDS.items() if flags & bit]
    return ", ".join(words) or "ok"
