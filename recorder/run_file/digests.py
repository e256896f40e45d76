"""SHA-256 of every dataset with its attributes: a guard against damage, not against intent."""

from __future__ import annotations

import hashlib
import json
import struct
from typing import TYPE_CHECKING, Any, Final

import h5py
import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = ["attributes_digest", "dataset_digest", "dataset_digests", "every_dataset"]

PIECE: Final = 1_000_000
SKIPPED_ATTRIBUTES: Final = frozenset(
    {"complete", "digests_sha256", "REFERENCE_LIST", "DIMENSION_LIST"}
)
"""Set after the digests, or addresses inside the file (the links of scales)."""


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


def dataset_digest(dataset: h5py.Dataset) -> dict[str, Any]:
    """The digest of one dataset: its rows in order, little-endian, and its attributes."""
    check = hashlib.sha256()
    texts = h5py.check_string_dtype(dataset.dtype)
    varying = texts is not None and texts.length is None
    n = dataset.shape[0] if dataset.shape else 0
    for start in range(0, n, PIECE):
        rows = dataset[start : start + PIECE]
        if varying:
            for text in rows:
                data = text if isinstance(text, bytes) else str(text).encode()
                check.update(struct.pack("<Q", len(data)))
                check.update(data)
        else:
            check.update(np.ascontiguousarray(rows).view(np.uint8).data)
    return {
        "sha256": check.hexdigest(),
        "n": n,
        "type": "text" if varying else _type_text(dataset.dtype),
        "attributes": attributes_digest(dataset),
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
