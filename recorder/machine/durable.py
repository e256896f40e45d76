"""Directory entries on the disk: a file that is synced may still be lost with its name."""

from __future__ import annotations

import os
from pathlib import Path

__all__ = ["sync_folder"]


def sync_folder(folder: Path) -> None:
    """Bring a folder's entries to the disk, where the system knows how (POSIX)."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
