"""How long work tells how far it is."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

__all__ = ["Progress", "untold"]

Progress: TypeAlias = Callable[[float, str], None]
"""Called with the part done, 0 to 1, and what is being done."""


def untold(_part: float, _what: str) -> None:
    """Nobody wants to know."""
