"""SHA-256 of every dataset with its attributes: a guard against damage, not against intent."""

from __future__ import annotations

import hashlib
import json
import os
from typing import TYPE_CHECKING, Any, BinaryIO, Final

import h5py
import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = [
    "CLOSING_BYTES",
    "attributes_digest",
    "closing_line",
    "dataset_digest",
    "dataset_digests",
    "every_dataset",
    "file_digest",
    "read_closing_line",
]

PIECE: Final = 1_000_000
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


def file_digest(
    file: BinaryIO, *, less: int = 0, progress: Callable[[float, str], None] | None = None
) -> str:
    """SHA-256, in hex, of a file's bytes but for the last ``less``."""
    size = max(file.seek(0, os.SEEK_END) - less, 0)
    file.seek(0)
    check = hashlib.sha256()
    left = size
    while left > 0 and (piece := file.read(min(left, 4 * 2**20))):
        check.update(piece)
        left -= len(piece)
        if progress is not None:
            progress(1.0 - left / size, "all bytes")
    return check.hexdigest()


def every_dataset(file: h5py.File) -> Iterator[tuple[str, h5py.Dataset]]:
    """All datasets with their paths, in order of path, the digests themselves left out."""
    paths: list[str] = []

    def note(name: str, item: object) -> None:
        if isinstance(item, h5py.Dataset) and not name.startswith("digests/"):
            paths.append(name)

    file.visititems(note)
    for path in sorted(paths):
        yield path, file[path]


def dataset_digests(
    file: h5py.File, *, progress: Callable[[float, str], None] | None = None
) -> dict[str, dict[str, Any]]:
    """Path → ``{"sha256", "n", "type", "attributes"}``, groups with their attributes alone."""
    total = sum(d.size * d.dtype.itemsize for _, d in every_dataset(file)) or 1
    done = 0
    digests: dict[str, dict[str, Any]] = {"/": {"attributes": attributes_digest(file)}}
    for name, group in file["devices"].items():
        digests[f"devices/{name}/"] = {"attributes": attributes_digest(group)}
    for path, dataset in every_dataset(file):
        if progress is not None:
            progress(done / total, path)
        digests[path] = dataset_digest(dataset)
        done += dataset.size * dataset.dtype.itemsize
    return digests


def dataset_digest(dataset: h5py.Dataset, *, attributes: bool = True) -> dict[str, Any]:
    """The digest of one dataset: its rows in order, little-endian, and its attributes.

    Attributes of varying length lie in a heap without a checksum: in a file known to be damaged
    they are better left alone.
    """
    check = hashlib.sha256()
    n = dataset.shape[0] if dataset.shape else 0
    for start in range(0, n, PIECE):
        rows = dataset[start : start + PIECE]
        check.update(np.ascontiguousarray(rows).view(np.uint8).data)
    return {
        "sha256": check.hexdigest(),
        "n": n,
        "type": _type_text(dataset.dtype),
        "attributes": attributes_digest(dataset) if attributes else None,
    }


def _type_text(dtype: np.dtype[Any]) -> str:
    return str(dtype.descr) if dtype.names else dtype.str


def attributes_digest(item: h5py.HLObject) -> str:
    """SHA-256 over names and values of the attributes that mean something."""
    held = {
        name: _plain(value)
        for name, value in item.attrs.items()
        if name not in SKIPPED_ATTRIBUTES
    }
    return hashlib.sha256(json.dumps(held, sort_keys=True).encode()).hexdigest()


def _plain(value: Any) -> Any:  # noqa: ANN401 - whatever HDF5 holds
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    if isinstance(value, np.generic | np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, list):
        return [_plain(item) for item in value]
    return value if isinstance(value, str | int | float | bool) else repr(value)
