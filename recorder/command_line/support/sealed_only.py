"""What is changed after a run is changed in a sealed one only."""

from __future__ import annotations

from typing import TYPE_CHECKING

from recorder.command_line.support.errors import UsageError

if TYPE_CHECKING:
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["refuse_unsealed"]


def refuse_unsealed(held: RunFile, *, live: str) -> None:
    """Return for a sealed run; ``live`` says what to do with one that is being recorded.

    Raises
    ------
    UsageError
        It is being recorded, or was cut off.
    """
    if held.live:
        msg = f"{held.path}: is being recorded; {live}"
        raise UsageError(msg)
    if not held.complete:
        msg = f"{held.path}: was not sealed; make it whole first with testcar recover"
        raise UsageError(msg)
