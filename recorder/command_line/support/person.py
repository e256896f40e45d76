"""Who sits at the computer."""

from __future__ import annotations

import getpass

__all__ = ["person"]


def person(stated: str | None = None) -> str:
    """The name stated; else that of the account, empty when the system does not give one."""
    if stated is not None:
        return stated
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return ""
