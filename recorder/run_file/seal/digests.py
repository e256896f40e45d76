"""SHA-256 of every dataset with its attributes: a guard against damage, not against intent."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import numpy as np

from calibration.quantities.bounded_text import bounded_json
from recorder.run.parts.errors import UnreadableError
from recorder.run_file.hdf5.store import parsed

if TYPE_CHECKING:
    from recorder.run.parts.progress import Progress
    from recorder.run_file.hdf5.store import Column, Store

__all__ = [
    "CLOSING_BYTES",
    "ItemDigest",
    "attributes_digest",
    "bytes_digest",
    "closing_line",
    "column_digest",
    "digested_paths",
    "digests_of",
    "digests_to_json",
    "file_digest",
    "read_closing_line",
    "stored_digests",
]

CHUNK: Final = 1_000_000
"""Rows read at once."""
CHUNK_BYTES: Final = 4 * 2**20
SKIPPED_ATTRIBUTES: Final = frozenset(
    {"complete", "digests_sha256", "REFERENCE_LIST", "DIMENSION_LIST"}
)
"""Set after the digests, or addresses inside the file (the links of scales)."""

_CLOSING: Final = b"\ntestcar-run sealed sha256 %s\n"
CLOSING_BYTES: Final = len(_CLOSING % bytes(64))


def closing_line(digest: str) -> bytes:
    """The last line of a sealed file: SHA-256 over all bytes before it."""
    return _CLOSING % digest.encode("ascii", "replace")


def read_closing_line(file: BinaryIO) -> str | None:
    """The digest in the last line of a file; None when it does not end in one."""
    size = file.seek(0, os.SEEK_END)
    file.seek(max(size - CLOSING_BYTES, 0))
    line = file.read(CLOSING_BYTES)
    digest = line[-65:-1]
    # An unsealed file ends in any bytes at all.
    return digest.decode() if digest.isascii() and line == _CLOSING % digest else None


def file_digest(file: BinaryIO, *, less: int = 0, progress: Progress | None = None) -> str:
    """SHA-256, in hex, of a file's bytes but for the last ``less``."""
    return bytes_digest(file, less=less, progress=progress).hexdigest()


def bytes_digest(
    file: BinaryIO, *, less: int = 0, progress: Progress | None = None
) -> hashlib._Hash:
    """SHA-256 of a file's bytes but for the last ``less``, which may be gone on with."""
    size = max(file.seek(0, os.SEEK_END) - less, 0)
    file.seek(0)
    check = hashlib.sha256()
    left = size
    while left > 0 and (chunk := file.read(min(left, CHUNK_BYTES))):
        check.update(chunk)
        left -= len(chunk)
        if progress is not None:
            progress(1.0 - left / size, "all bytes")
    return check


@dataclass(frozen=True, slots=True, kw_only=True)
class ItemDigest:
    """What is known of a dataset at the seal; of a group, its attributes alone."""

    attributes: str | None
    """SHA-256, hex; None where they were left alone."""
    sha256: str = ""
    """Of the rows in order, little-endian, hex; empty for a group."""
    n: int = 0
    """Rows."""
    type: str = ""
    """Of the rows, as numpy writes it."""

    @property
    def is_group(self) -> bool:
        """Whether it is a group's."""
        return not self.sha256

    def to_dict(self) -> dict[str, Any]:
        """Plain data for the file."""
        return {"attributes": self.attributes} if self.is_group else asdict(self)


def digested_paths(store: Store) -> list[str]:
    """Paths of all datasets, sorted, the digests themselves left out."""
    return [path for path in store.dataset_paths() if not path.startswith("digests/")]


def digests_of(store: Store, *, progress: Progress | None = None) -> dict[str, ItemDigest]:
    """By path; a group's path ends in a slash."""
    found = {"/": ItemDigest(attributes=attributes_digest(store, "/"))}
    for name in store.names("devices"):
        path = f"devices/{name}/"
        found[path] = ItemDigest(attributes=attributes_digest(store, path))
    # Sizes alone: HDF5 keeps a cache of a megabyte for every dataset that is held open.
    sizes = {path: _bytes_of(store.column(path)) for path in digested_paths(store)}
    total = sum(sizes.values()) or 1
    done = 0
    for path, size in sizes.items():
        if progress is not None:
            progress(done / total, path)
        found[path] = column_digest(store, path)
        done += size
    return found


def _bytes_of(column: Column) -> int:
    return column.n * column.dtype.itemsize


def column_digest(store: Store, path: str, *, attributes: bool = True) -> ItemDigest:
    """The digest of one dataset.

    Attributes of varying length lie in a heap without a checksum: in a file known to be damaged
    they are better left alone.
    """
    column = store.column(path)
    check = hashlib.sha256()
    n = column.n
    for start in range(0, n, CHUNK):
        rows = column.read(start, start + CHUNK)
        check.update(np.ascontiguousarray(rows).view(np.uint8).data)
    return ItemDigest(
        sha256=check.hexdigest(),
        n=n,
        type=str(column.dtype.descr) if column.dtype.names else column.dtype.str,
        attributes=attributes_digest(store, path) if attributes else None,
    )


def attributes_digest(store: Store, path: str) -> str:
    """SHA-256 over names and values of the attributes that mean something."""
    held = {
        name: _plain(value)
        for name, value in store.attributes(path).items()
        if name not in SKIPPED_ATTRIBUTES
    }
    return hashlib.sha256(json.dumps(held, sort_keys=True).encode()).hexdigest()


def _plain(value: object) -> object:
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    if isinstance(value, np.generic | np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return value if isinstance(value, str | int | float | bool) else repr(value)


def digests_to_json(digests: Mapping[str, ItemDigest]) -> str:
    """The index of digests as the file holds it."""
    return json.dumps({path: held.to_dict() for path, held in digests.items()}, sort_keys=True)


def stored_digests(store: Store) -> dict[str, ItemDigest]:
    """The digests as stored at the seal.

    Raises
    ------
    UnreadableError
        They do not read, or the index fails its own digest.
    """
    text = store.text("digests/json")
    if hashlib.sha256(text.encode()).hexdigest() != store.word("digests_sha256"):
        raise UnreadableError(store.path, "the index of digests fails its own digest")
    return parsed(store.path, "digests/json", _from_json, text)


def _from_json(text: str) -> dict[str, ItemDigest]:
    return {path: ItemDigest(**held) for path, held in bounded_json(text).items()}
