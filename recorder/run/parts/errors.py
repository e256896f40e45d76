"""What can be wrong with a run file, in one line for a person."""

from __future__ import annotations

from pathlib import Path

__all__ = ["CompanionError", "RunFileError", "UnreadableError", "WriterDeadError"]

LONGEST_WORDS = 200
"""Characters of a library's words that are passed on: some tell of every buffer they held."""


class RunFileError(ValueError):
    """A run file that cannot be read or made; the text names the file first."""


class UnreadableError(RunFileError):
    """The file is damaged: what is stored in it does not read. Never a mistake of ours."""

    def __init__(self, path: Path, words: str) -> None:
        self.words = " ".join(words.split())[:LONGEST_WORDS]
        """What did not read, without the file's name."""
        super().__init__(f"{path}: damaged run file ({self.words})")


class CompanionError(RunFileError):
    """The companion file beside a run is damaged, or belongs to another run."""


class WriterDeadError(RunFileError):
    """HDF5 refused a write: nothing more may be written through this handle."""
