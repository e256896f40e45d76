"""What SQLite may raise over a damaged file."""

from __future__ import annotations

import sqlite3
from typing import Final

__all__ = ["SQLITE_PASSING", "SQLITE_READ_ERRORS"]

SQLITE_READ_ERRORS: Final = (sqlite3.Error, UnicodeDecodeError)
"""SQLite quotes names of a damaged file in its messages, and Python then cannot decode those: the
error that arrives is about the message, not about the query."""

SQLITE_PASSING: Final = frozenset(
    {
        sqlite3.SQLITE_BUSY,
        sqlite3.SQLITE_LOCKED,
        sqlite3.SQLITE_NOMEM,
        sqlite3.SQLITE_INTERRUPT,
        sqlite3.SQLITE_PROTOCOL,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_PERM,
        sqlite3.SQLITE_FULL,
    }
)
"""Primary codes that are no sign of damage: another moment, or another person, may read it."""
