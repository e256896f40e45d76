"""What can be wrong with a run file, in one line for a person."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

__all__ = ["HDF5_ERRORS", "CompanionError", "RunFileError", "WriterDeadError", "reading"]


class RunFileError(ValueError):
    """A run file that cannot be read or made; the text names the file first."""


class CompanionError(RunFileError):
    """The companion file beside a run is damaged, or belongs to another run."""


class WriterDeadError(RunFileError):
    """HDF5 refused a write: nothing more may be written through this handle."""


HDF5_ERRORS = (
    OSError,
    RuntimeError,
    ValueError,
    KeyError,
    TypeError,
    IndexError,
    AttributeError,
    OverflowError,
    MemoryError,
)
"""What h5py raises, by experience, on a damaged file: there is no root class."""


@contextmanager
def reading(path: Path | str) -> Iterator[None]:
    """Turn what h5py raises on damage into a :class:`RunFileError` that names the file.

    Raises
    ------
    RunFileError
    """
    try:
        yield
    except RunFileError:
        raise
    except HDF5_ERRORS as error:
        words = " ".join(str(error).split()) or type(error).__name__
        msg = f"{path}: damaged run file ({words[:200]})"
        raise RunFileError(msg) from error
