"""Sealed runs that HDF5 reads that no recorder wrote, each closed with a right digest."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from recorder.run_file.seal.digests import CLOSING_BYTES, closing_line, file_digest

__all__ = ["HOSTILE", "made_hostile"]

PULL = "devices/cell/pull"
Harm = Callable[[h5py.File, Path], None]


def made_hostile(path: Path, name: str) -> Path:
    """Do one of :data:`HOSTILE` to a sealed run, and close it again as its maker would."""
    os.truncate(path, path.stat().st_size - CLOSING_BYTES)
    with h5py.File(path, "r+", libver=("v110", "v110")) as file:
        HOSTILE[name][0](file, path)
    with path.open("r+b") as raw:
        digest = file_digest(raw)
        raw.seek(0, os.SEEK_END)
        raw.write(closing_line(digest))
    return path


def _again(file: h5py.File, name: str = PULL, **made: Any) -> h5py.Dataset:
    """Another dataset under the name of one, with its attributes."""
    attributes = {k: v for k, v in file[name].attrs.items() if k != "DIMENSION_LIST"}
    n = len(file[name])
    del file[name]
    dataset = file.create_dataset(name, **{"shape": (n,), "dtype": "<f4", **made})
    dataset.attrs.update(attributes)
    return dataset


def _outside(file: h5py.File, path: Path) -> None:
    other = path.with_name("secret.txt")
    other.write_text("a line of words that is no pull at all\n" * 4000)
    n = len(file[PULL])
    _again(file, external=[(str(other), 0, n * 4)])


def _linked_outside(file: h5py.File, path: Path) -> None:
    other = path.with_name("other.h5")
    with h5py.File(other, "w") as made:
        made["pull"] = np.zeros(len(file[PULL]), "<f4")
    del file[PULL]
    file[PULL] = h5py.ExternalLink(str(other), "/pull")


def _soft(file: h5py.File, _path: Path) -> None:
    del file[PULL]
    file[PULL] = h5py.SoftLink("/devices/cell/raw_ch0")


def _virtual(file: h5py.File, path: Path) -> None:
    other, n = path.with_name("other.h5"), len(file[PULL])
    with h5py.File(other, "w") as made:
        made["pull"] = np.zeros(n, "<f4")
    del file[PULL]
    layout = h5py.VirtualLayout(shape=(n,), dtype="<f4")
    layout[:] = h5py.VirtualSource(str(other), "pull", shape=(n,))
    file.create_virtual_dataset(PULL, layout)


def _twice(file: h5py.File, _path: Path) -> None:
    del file[PULL]
    file[PULL] = file["devices/wheel/speed"]


def _cycle(file: h5py.File, _path: Path) -> None:
    file["devices/cell/again"] = file["devices"]


def _kind(file: h5py.File, _path: Path) -> None:
    file["devices/kind"] = np.dtype("<f4")


def _references(file: h5py.File, _path: Path) -> None:
    _again(file, dtype=h5py.ref_dtype, chunks=(100,))


def _words(file: h5py.File, _path: Path) -> None:
    _again(file, dtype=h5py.string_dtype(), chunks=(100,))


def _enumerated(file: h5py.File, _path: Path) -> None:
    _again(file, dtype=h5py.enum_dtype({"none": 0}, "i4"), chunks=(100,))


def _opaque(file: h5py.File, _path: Path) -> None:
    _again(file, dtype=h5py.opaque_dtype(np.dtype("V16")), chunks=(100,))


def _packed(file: h5py.File, _path: Path) -> None:
    n = 8_000_000
    _again(file, shape=(n,), chunks=(n,), compression="gzip", compression_opts=1)[:10] = 1


def _declared(file: h5py.File, _path: Path) -> None:
    _again(file, shape=(10,), maxshape=(None,), chunks=(1000,))[:] = 1
    file[PULL].resize((2**40,))


def _beyond_blocks(file: h5py.File, _path: Path) -> None:
    for column in file["devices/cell"].values():
        more = column[:50]
        column.resize((len(column) + 50,))
        column[-50:] = more


def _two_columns(file: h5py.File, _path: Path) -> None:
    _again(file, shape=(100, 100), chunks=(10, 10))[:] = 1


def _in_one_piece(file: h5py.File, _path: Path) -> None:
    _again(file)[:] = 1


def _long_attribute(file: h5py.File, path: Path) -> None:
    file[PULL].attrs["more"] = np.bytes_(b"x" * 60_000)
    with h5py.File(path.with_name("wide.h5"), "w", libver="latest") as wide:
        wide.attrs["more"] = np.zeros(10**6)
        wide.copy(wide, file["devices"], "cells")


def _many_attributes(file: h5py.File, _path: Path) -> None:
    for i in range(70):
        file[PULL].attrs[f"a{i}"] = i


def _references_in_attribute(file: h5py.File, _path: Path) -> None:
    file[PULL].attrs["more"] = file["devices"].ref


def _group_for_text(file: h5py.File, _path: Path) -> None:
    del file["header/run"]
    file.create_group("header/run")


def _dataset_for_group(file: h5py.File, _path: Path) -> None:
    del file["events"]
    file.create_dataset("events", data=np.zeros(10), chunks=(10,))


def _deep(file: h5py.File, _path: Path) -> None:
    file.create_group("devices/cell/pulls/of/many")


def _many(file: h5py.File, _path: Path) -> None:
    for i in range(5000):
        file.create_group(f"certificates/{i}")


HOSTILE: dict[str, tuple[Harm, str]] = {
    "rows in another file": (_outside, f"{PULL}: holds its rows in another file"),
    "link into another file": (_linked_outside, f"{PULL}: is a link into another file"),
    "soft link": (_soft, f"{PULL}: is a soft link"),
    "virtual": (_virtual, f"{PULL}: holds its rows in other datasets"),
    "two names": (_twice, "is a second name of another part"),
    "cycle": (_cycle, "is a second name of another part"),
    "kept datatype": (_kind, "devices/kind: is neither a group nor a dataset"),
    "references": (_references, f"{PULL}: its rows are neither numbers nor texts"),
    "words of any length": (_words, f"{PULL}: its rows are neither numbers nor texts"),
    "enumerated": (_enumerated, f"{PULL}: its rows are neither numbers nor texts"),
    "opaque": (_opaque, f"{PULL}: its rows are neither numbers nor texts"),
    "packed": (_packed, f"{PULL}: is packed (filter deflate)"),
    "declared rows": (_declared, f"{PULL}: declares 1,099,511,627,776 rows"),
    "rows beyond the blocks": (_beyond_blocks, "rows, its table of blocks"),
    "two dimensions": (_two_columns, f"{PULL}: has 2 dimensions"),
    "in one piece": (_in_one_piece, f"{PULL}: holds its rows in one piece"),
    "wide attribute": (_long_attribute, "attribute more: 8,000,000 bytes"),
    "many attributes": (_many_attributes, f"{PULL}: 7"),
    "reference in an attribute": (_references_in_attribute, "is neither one number nor one"),
    "group for a text": (_group_for_text, "header/run: is a group"),
    "dataset for a group": (_dataset_for_group, "events: is a dataset"),
    "deep": (_deep, "devices/cell/pulls: is a group"),
    "many names": (_many, "5,002 names; a run file has 4,096 at the most"),
}
"""By what was done: who does it, and what the refusal says."""
