"""Whether a run file is what was sealed: digests, structure, times, companion."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.bounded_text import open_regular
from recorder.run.parts.errors import RunFileError, UnreadableError
from recorder.run.parts.progress import untold
from recorder.run_file.companion.companion import Companion, companion_path
from recorder.run_file.hdf5.devices import Device
from recorder.run_file.hdf5.layout import PARTS, ROOT
from recorder.run_file.hdf5.open import is_marked, open_for_reading
from recorder.run_file.hdf5.stored_header import check_kind, read_header, sealed_digest
from recorder.run_file.seal.digests import (
    CLOSING_BYTES,
    attributes_digest,
    column_digest,
    digested_paths,
    file_digest,
    read_closing_line,
    stored_digests,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from recorder.run.parts.header import DeviceHeader, RunHeader
    from recorder.run.parts.progress import Progress
    from recorder.run_file.hdf5.store import Store
    from recorder.run_file.seal.digests import ItemDigest

__all__ = ["verify_run"]

CHUNK: Final = 1_000_000
"""Times looked at at once."""
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
    progress = progress or untold
    with open_regular(place) as raw:
        head = raw.read(64)
    if is_marked(head):
        return [NOT_SEALED]
    whole = _all_bytes(place, lambda part, what: progress(0.5 * part, what))
    try:
        store = open_for_reading(place)
    except UnreadableError as error:
        return [f"cannot be opened: {error.words}", *whole]
    with store:
        header = _header(store)
        if isinstance(header, str):
            return [header]
        findings = list(_sealed(store)) or list(_parts(store))
        findings += [*whole, *_digests(store, progress, attributes=not whole)]
        for device in header.devices:
            findings.extend(_guarded(partial(_device, store, device), device.name))
        findings += _added(store, header)
    progress(1.0, "checked")
    return findings


def _added(store: Store, header: RunHeader) -> list[str]:
    """What is wrong with what was added after the seal."""
    try:
        digest = sealed_digest(store)
        return Companion(companion_path(store.path), header.run_id, digest).findings()
    except RunFileError as error:
        return [str(error)]


def _all_bytes(place: Path, progress: Progress) -> list[str]:
    """Whether the file is byte for byte what was sealed."""
    with place.open("rb") as raw:
        stored = read_closing_line(raw)
        if stored is None:
            return ["its closing line is missing: cut short, or written to after the seal"]
        found = file_digest(raw, less=CLOSING_BYTES, progress=progress)
    return [] if found == stored else ["damaged: it is not byte for byte what was sealed"]


def _header(store: Store) -> RunHeader | str:
    try:
        check_kind(store)
    except UnreadableError as error:
        return f"its root does not read: {error.words}"
    try:
        return read_header(store)
    except UnreadableError as error:
        return f"its header does not read: {error.words}"
    except RunFileError as error:
        # Names that cannot be: no run file of ours was ever made with them.
        return f"its header does not read: {error}"


def _sealed(store: Store) -> Iterator[str]:
    try:
        complete = store.number("complete")
    except UnreadableError as error:
        yield f"whether it is complete does not read: {error.words}"
        return
    if complete != 1:
        yield NOT_SEALED


def _parts(store: Store) -> Iterator[str]:
    """What every sealed file has, whoever made its digests."""
    for part in PARTS:
        # Words in capitals stand for names; the digests are looked for with what they hold.
        fixed = part.path.islower() and not part.path.startswith("digests")
        if fixed and not part.optional and not store.has(part.path):
            yield f"{part.path} is missing, every sealed file has it"
    for attribute in ROOT:
        if attribute.at_seal and not store.has_attribute(attribute.name):
            yield f"the attribute {attribute.name} of / is missing, every sealed file has it"


def _digests(store: Store, progress: Progress, *, attributes: bool) -> Iterator[str]:
    try:
        if not store.has("digests/json"):
            yield "its digests are missing"
            return
        stored = stored_digests(store)
        found = set(digested_paths(store))
    except UnreadableError as error:
        yield f"the digests do not read: {error.words}"
        return
    wanted = {path for path, held in stored.items() if not held.is_group}
    yield from (f"{path}: missing" for path in sorted(wanted - found))
    yield from (f"{path}: was not there at the seal" for path in sorted(found - wanted))
    if attributes:
        for path in sorted(set(stored) - wanted):
            yield from _guarded(partial(_group, store, path, stored[path]), path)
    both = sorted(wanted & found)
    total = sum(stored[path].n for path in both) or 1
    done = 0
    for path in both:
        progress(0.5 + 0.5 * done / total, path)
        check = partial(_dataset, store, path, stored[path], attributes=attributes)
        yield from _guarded(check, path)
        done += stored[path].n


def _group(store: Store, path: str, stored: ItemDigest) -> Iterator[str]:
    if attributes_digest(store, path) != stored.attributes:
        yield f"{path}: its attributes are not those of the seal"


def _dataset(store: Store, path: str, stored: ItemDigest, *, attributes: bool) -> Iterator[str]:
    found = column_digest(store, path, attributes=attributes)
    if (found.n, found.type) != (stored.n, stored.type):
        yield (
            f"{path}: {found.n} rows of {found.type}, {stored.n} of {stored.type} at the seal"
        )
    elif found.sha256 != stored.sha256:
        yield f"{path}: damaged: its digest is not that of the seal"
    if attributes and found.attributes != stored.attributes:
        yield f"{path}: its attributes are not those of the seal"


def _device(store: Store, device: DeviceHeader) -> Iterator[str]:
    Device(store, device)
    lengths = {
        name: column.n for name, column in store.columns(f"devices/{device.name}").items()
    }
    n = lengths.get("time_s", 0)
    for name, length in lengths.items():
        if length != n:
            yield f"devices/{device.name}/{name}: {length} rows, time_s has {n}"
    blocks = store.column(f"blocks/{device.name}").read_fields(["n"])
    counted = int(blocks["n"].sum(dtype=np.int64))
    if counted != n:
        yield f"blocks/{device.name}: has {counted} records, there are {n}"
    times = store.column(f"devices/{device.name}/time_s")
    latest = -np.inf
    for start in range(0, n, CHUNK):
        time_s = times.read(start, start + CHUNK)
        if (
            not np.isfinite(time_s).all()
            or time_s[0] < latest
            or bool(np.any(np.diff(time_s) < 0))
        ):
            yield f"devices/{device.name}/time_s: not finite, or runs backwards"
            return
        latest = time_s[-1]


def _guarded(check: Callable[[], Iterator[str]], what: str) -> list[str]:
    try:
        return list(check())
    except UnreadableError as error:
        return [f"{what}: does not read: {error.words}"]
