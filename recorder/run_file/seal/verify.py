"""Whether a run file is what was sealed: digests, structure, times, companion."""

from __future__ import annotations

import hashlib
import json
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import h5py
import numpy as np

from recorder.run.errors import HDF5_ERRORS, RunFileError
from recorder.run_file.companion.companion import Companion, companion_path
from recorder.run_file.hdf5.create import get_text, get_word, read_header
from recorder.run_file.hdf5.layout import FORMAT, LAYOUT_VERSION
from recorder.run_file.hdf5.open import SIGNATURE, is_marked, open_for_reading
from recorder.run_file.seal.digests import (
    CLOSING_BYTES,
    attributes_digest,
    dataset_digest,
    every_dataset,
    file_digest,
    read_closing_line,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from typing import TypeAlias

    from recorder.run.header import DeviceHeader, RunHeader

    Progress: TypeAlias = Callable[[float, str], None]

__all__ = ["stored_digests", "verify_run"]

PIECE: Final = 1_000_000
NOT_SEALED: Final = (
    "not sealed: it is being recorded, or the recording was cut off; recover it from its"
    " journal (testcar recover)"
)


def verify_run(path: Path | str, *, progress: Progress | None = None) -> list[str]:
    """Check a run file through and through; the findings, one line each, empty when sound.

    Raises
    ------
    FileNotFoundError, OSError
        There is none, or it may not be read.
    RunFileError
        Not a run file at all, or of a newer layout.
    """
    place = Path(path)
    told = progress or (lambda _part, _what: None)
    with place.open("rb") as raw:
        head = raw.read(64)
    if is_marked(head):
        return [NOT_SEALED]
    try:
        file = open_for_reading(place)
    except RunFileError as error:
        if not head.startswith(SIGNATURE):
            raise
        return [f"cannot be opened: {_words(error.__cause__ or error)}"]
    whole = _all_bytes(place, lambda part, what: told(0.5 * part, what))
    with file:
        header = _header(file, place)
        if isinstance(header, str):
            return [header]
        findings = [*_sealed(file), *whole, *_digests(file, told, attributes=not whole)]
        for device in header.devices:
            findings.extend(_guarded(partial(_device, file, device), device.name))
    try:
        with Companion(companion_path(place), header.run_id) as companion:
            findings.extend(companion.findings())
    except RunFileError as error:
        findings.append(str(error))
    told(1.0, "checked")
    return findings


def _all_bytes(place: Path, told: Progress) -> list[str]:
    """Whether the file is byte for byte what was sealed."""
    with place.open("rb") as raw:
        stored = read_closing_line(raw)
        if stored is None:
            return ["its closing line is missing: cut short, or written to after the seal"]
        found = file_digest(raw, less=CLOSING_BYTES, progress=told)
    return [] if found == stored else ["damaged: it is not byte for byte what was sealed"]


def stored_digests(file: h5py.File) -> dict[str, dict[str, Any]]:
    """The digests as stored at the seal.

    Raises
    ------
    ValueError, KeyError, …
        As h5py and JSON raise on damage; also when the index fails its own digest.
    """
    text = get_text(file, "digests/json")
    if hashlib.sha256(text.encode()).hexdigest() != get_word(file, "digests_sha256"):
        msg = "the index of digests fails its own digest"
        raise ValueError(msg)
    held = json.loads(text)
    if not isinstance(held, dict):
        msg = "the index of digests is not a JSON object"
        raise TypeError(msg)
    return held


def _header(file: h5py.File, place: Path) -> RunHeader | str:
    try:
        kind, version = get_word(file, "format"), file.attrs.get("layout_version")
    except HDF5_ERRORS as error:
        return f"its root does not read: {_words(error)}"
    if kind != FORMAT:
        msg = f"{place}: not a run file (an HDF5 file of another kind)"
        raise RunFileError(msg)
    try:
        return read_header(file, place)
    except RunFileError as error:
        if isinstance(version, np.integer) and version > LAYOUT_VERSION:
            # Not damage: this program is too old to judge.
            raise
        return f"its header does not read: {_words(error)}"


def _sealed(file: h5py.File) -> Iterator[str]:
    try:
        complete = int(file.attrs["complete"])
    except HDF5_ERRORS as error:
        yield f"the attribute complete does not read: {_words(error)}"
        return
    if complete != 1:
        yield NOT_SEALED


def _digests(file: h5py.File, told: Progress, *, attributes: bool) -> Iterator[str]:
    try:
        if "digests/json" not in file:
            return
        stored = stored_digests(file)
        found = dict(every_dataset(file))
    except HDF5_ERRORS as error:
        yield f"the digests do not read: {_words(error)}"
        return
    wanted = {path for path in stored if not path.endswith("/")}
    yield from (f"{path}: missing" for path in sorted(wanted - set(found)))
    yield from (f"{path}: was not there at the seal" for path in sorted(set(found) - wanted))
    for path in (path for path in stored if path.endswith("/") and attributes):
        yield from _guarded(partial(_group, file, path, stored[path]), path)
    total = sum(d.size * d.dtype.itemsize for d in found.values()) or 1
    done = 0
    for path in sorted(wanted & set(found)):
        told(0.5 + 0.5 * done / total, path)
        check = partial(_dataset, found[path], path, stored[path], attributes=attributes)
        yield from _guarded(check, path)
        done += found[path].size * found[path].dtype.itemsize


def _group(file: h5py.File, path: str, stored: dict[str, Any]) -> Iterator[str]:
    if attributes_digest(file[path]) != stored["attributes"]:
        yield f"{path}: its attributes are not those of the seal"


def _dataset(
    dataset: h5py.Dataset, path: str, stored: dict[str, Any], *, attributes: bool
) -> Iterator[str]:
    found = dataset_digest(dataset, attributes=attributes)
    if found["n"] != stored["n"] or found["type"] != stored["type"]:
        yield (
            f"{path}: {found['n']} rows of {found['type']}, {stored['n']} of {stored['type']}"
            " at the seal"
        )
    elif found["sha256"] != stored["sha256"]:
        yield f"{path}: damaged: its digest is not that of the seal"
    if attributes and found["attributes"] != stored["attributes"]:
        yield f"{path}: its attributes are not those of the seal"


def _device(file: h5py.File, device: DeviceHeader) -> Iterator[str]:
    group = file[f"devices/{device.name}"]
    lengths = {name: int(column.shape[0]) for name, column in group.items()}
    n = lengths["time_s"]
    for name, length in lengths.items():
        if length != n:
            yield f"devices/{device.name}/{name}: {length} rows, time_s has {n}"
    blocks = file[f"blocks/{device.name}"]
    told = int(blocks["n"].sum(dtype=np.int64)) if blocks.shape[0] else 0
    if told != n:
        yield f"blocks/{device.name}: tells of {told} records, there are {n}"
    latest = -np.inf
    for start in range(0, n, PIECE):
        times = group["time_s"][start : start + PIECE]
        if (
            not np.isfinite(times).all()
            or times[0] < latest
            or bool(np.any(np.diff(times) < 0))
        ):
            yield f"devices/{device.name}/time_s: not finite, or runs backwards"
            return
        latest = times[-1]


def _guarded(check: Callable[[], Iterator[str]], what: str) -> list[str]:
    try:
        return list(check())
    except HDF5_ERRORS as error:
        return [f"{what}: does not read: {_words(error)}"]


def _words(error: BaseException) -> str:
    return " ".join(str(error).split())[:200] or type(error).__name__
