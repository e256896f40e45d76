"""What stands where a recovered run file shall be: nothing, this very run, or something else."""

from __future__ import annotations

import errno
import os
from enum import Enum
from typing import TYPE_CHECKING, Final

from recorder.run.parts.errors import RunFileError
from recorder.run.parts.kept_counts import Counts
from recorder.run_file.hdf5.devices import Device
from recorder.run_file.hdf5.open import open_for_reading
from recorder.run_file.hdf5.stored_header import read_header
from recorder.run_file.hdf5.tables import read_marks
from recorder.run_file.seal.digests import CLOSING_BYTES, file_digest, read_closing_line

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["AtPlace", "at_place", "filed_at"]

PIECE: Final = 4 * 2**20
"""Bytes searched at once."""
FAILING: Final = frozenset({errno.EIO, errno.EINVAL, errno.EOVERFLOW})
"""What a file answers that lies on a failing disk, or is damaged beyond what HDF5 can say."""


class AtPlace(Enum):
    """What a place holds, as seen by one run."""

    NOTHING = "nothing"
    SEALED = "sealed"
    """This very run, byte for byte as it was sealed."""
    UNFINISHED = "unfinished"
    """This very run, not sealed or damaged; or what cannot be read and is known to be its own."""
    ANOTHER = "another"


def at_place(path: Path, run_id: str, *, its_own_name: bool) -> AtPlace:
    """Look at a place; nothing is changed.

    A file that cannot be opened is this run's if its identity stands somewhere among the bytes,
    or ``its_own_name``: its journal lies beside it under the name that recordings give.

    Raises
    ------
    OSError
        It may not be read.
    """
    if not os.path.lexists(path):
        return AtPlace.NOTHING
    if path.is_symlink() or not path.is_file():
        return AtPlace.ANOTHER
    try:
        with open_for_reading(path) as store:
            same = read_header(store).run_id == run_id
            complete = store.number("complete") == 1
    except RunFileError:
        return _unreadable(path, run_id, its_own_name=its_own_name)
    except OSError as error:
        if error.errno not in FAILING:
            raise
        return _unreadable(path, run_id, its_own_name=its_own_name)
    if not same:
        return AtPlace.ANOTHER
    return AtPlace.SEALED if complete and _as_sealed(path) else AtPlace.UNFINISHED


def filed_at(path: Path, run_id: str) -> Counts | None:
    """Records and mark revisions in a run's unfinished file; None where it is torn.

    Raises
    ------
    OSError
        It cannot be read now: what it holds is not known.
    """
    try:
        with open_for_reading(path) as store:
            header = read_header(store)
            if header.run_id != run_id:
                return None
            devices = [Device(store, device) for device in header.devices]
            records = {device.name: (device.n, device.end_s) for device in devices}
            return Counts({"marks": len(read_marks(store))}, records)
    except RunFileError:
        return None
    except OSError as error:
        if error.errno not in FAILING:
            raise
        return None


def _unreadable(path: Path, run_id: str, *, its_own_name: bool) -> AtPlace:
    own = its_own_name or _holds(path, run_id.encode())
    return AtPlace.UNFINISHED if own else AtPlace.ANOTHER


def _as_sealed(path: Path) -> bool:
    with path.open("rb") as raw:
        stored = read_closing_line(raw)
        return stored is not None and file_digest(raw, less=CLOSING_BYTES) == stored


def _holds(path: Path, word: bytes) -> bool:
    """Whether some bytes stand anywhere in a file."""
    last = b""
    with path.open("rb") as raw:
        while piece := raw.read(PIECE):
            if word in last + piece:
                return True
            last = piece[-len(word) :]
    return False
