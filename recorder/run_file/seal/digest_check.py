"""The digest check before a run is believed: is a sealed file still what was sealed?

``verify`` finds where a file is damaged; this one only refuses to work from it, at the speed of
one read of the file.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from recorder.run.parts.errors import RunFileError
from recorder.run_file.hdf5.devices import Device
from recorder.run_file.hdf5.open import open_for_reading
from recorder.run_file.hdf5.stored_header import read_header
from recorder.run_file.seal.digests import CLOSING_BYTES, file_digest, read_closing_line

if TYPE_CHECKING:
    from recorder.run.parts.progress import Progress

__all__ = ["refuse_damaged"]


def refuse_damaged(path: Path | str, *, progress: Progress | None = None) -> None:
    """Return when a file is as it was sealed, or was not sealed yet (live, or cut off).

    Raises
    ------
    RunFileError
        Not a run file, or changed since it was sealed.
    OSError
        It cannot be read.
    """
    place = Path(path)
    with open_for_reading(place) as store:
        for device in read_header(store).devices:
            Device(store, device)
        complete = store.number("complete") == 1
    if not complete:
        return
    with place.open("rb") as raw:
        stored = read_closing_line(raw)
        if stored is None:
            what = "its closing line is missing"
        elif file_digest(raw, less=CLOSING_BYTES, progress=progress) != stored:
            what = "it is not byte for byte what was sealed"
        else:
            return
    msg = f"{place}: damaged: {what}; testcar verify says where, go back to a sound copy"
    raise RunFileError(msg)
