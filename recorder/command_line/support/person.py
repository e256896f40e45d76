"""Who sits at the computer."""

from __future__ import annotations

import getpass

__all__ = ["person"]


def person() -> str:
    """Name of the account; empty when the system does not give one."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""
