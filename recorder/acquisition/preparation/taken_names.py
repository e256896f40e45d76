"""Whether the names of what a recording makes are free, looked at before anything is made."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

from calibration.files.plain_database import beside
from recorder.acquisition.preparation.settings import RecordingError
from recorder.machine.private_files import squatted

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["refuse_taken"]

_LEFT: Final = (".lock", ".ballast")
"""Left by a recording that was cut off; used again."""
NOTES: Final = ".notes"
"""The companion of a run file."""


def refuse_taken(out: Path, journal: Path) -> None:
    """See that nothing foreign stands where run file, journal and what belongs to them shall be.

    Raises
    ------
    RecordingError
        Something does; it is named, with its owner, and left as it is.
    """
    notes = _with(out, NOTES)
    # They would be read with the new journal, or emptied.
    logs = beside(journal)
    left = [_with(journal, ending) for ending in _LEFT]
    for path in (out, journal, *logs, *left, notes):
        if words := squatted(path):
            msg = f"{path}: {words}"
            raise RecordingError(msg)
    if os.path.lexists(notes) and not out.exists():
        msg = (
            f"{notes}: the notes of another run are there; move them to where their run file is"
        )
        raise RecordingError(msg)
    for path in logs:
        if os.path.lexists(path) and not journal.exists():
            msg = f"{path}: the log of a journal that is not there; move it to its journal, or away"
            raise RecordingError(msg)


def _with(path: Path, ending: str) -> Path:
    return path.with_name(path.name + ending)
