"""What SQLite may raise over a damaged file."""

from __future__ import annotations

import sqlite3
from typing import Final

__all__ = ["SQLITE_READ_ERRORS"]

SQLITE_READ_ERRORS: Final = (sqlite3.Error, UnicodeDecodeError)
"""SQLite quotes names of a damaged file in its messages, and Python then cannot decode those: the
error that arrives is about the message, not about the query."""
