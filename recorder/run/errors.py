"""What can be wrong with a run file, in one line for a person."""

from __future__ import annotations

import errno
import os
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

NO_PLACE = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EACCES, errno.EPERM})
"""Of the disk or its rights, not of the file."""


@contextmanager
def reading(path: Path | str) -> Iterator[None]:
    """Turn what h5py raises on damage into a :class:`RunFileError` that names the file.

    Raises
    ------
    RunFileError
    OSError
        The place cannot be written: nothing is damaged.
    """
    try:
        yield
    except RunFileError:
        raise
    except OSError as error:
        if error.errno in NO_PLACE:
            name = str(error.filename or path)
            why = str(error.strerror) if error.filename else os.strerror(error.errno)
            raise OSError(error.errno, why, name) from error
        raise _damaged(path, error) from error
    except HDF5_ERRORS as error:
        raise _damaged(path, error) from error


def _damaged(path: Path | str, error: BaseException) -> RunFileError:
    words = " ".join(str(error).split()) or type(error).__name__
    return RunFileError(f"{path}: damaged run file ({words[:200]})")
