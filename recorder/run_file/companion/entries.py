"""Entries of a companion, each with a check that binds it to its run and to the entry before it.

A check is the SHA-256 over all columns of an entry, the run's id and digest, and the check of the
entry before; a last one over how many there are and the last check closes the row. So an entry
that was changed, removed, added or moved is found, and one of another run is none. Whoever means
to deceive can make all checks anew, as anybody can make a digest: only a signature holds against
that.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

__all__ = [
    "FORMAT",
    "VERSION",
    "Binding",
    "Entry",
    "EntryKind",
    "MetaKey",
    "chained",
    "damage_of",
    "entry_of",
    "meta_of",
    "sound_ones",
]

FORMAT: Final = "testcar-notes"
VERSION: Final = 2


class EntryKind(StrEnum):
    """What an entry is. Files hold these words."""

    REVISION = "revision"
    """Of a mark."""
    RESULT = "result"


class MetaKey(StrEnum):
    """What is kept of the whole file. Files hold these words."""

    FORMAT = "format"
    VERSION = "version"
    RUN = "run_id"
    DIGEST = "digest"
    ENTRIES = "entries"
    CARRIED = "carried"
    """Entries taken over from version 1, which had no checks."""
    HEAD = "head"
    """The check over all the others and the last entry's check."""


@dataclass(frozen=True, slots=True)
class Binding:
    """Whose notes these are."""

    run_id: str
    digest: str
    """Of the sealed run file, as its reader gives it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry, as it is kept; what a damaged file gives may be of any type."""

    number: Any = 0
    kind: Any
    name: Any
    """Of the result, or the mark's identity."""
    revision: Any = 0
    text: Any
    """JSON."""
    utc_ns: Any
    """When it was added, nanoseconds since 1970."""
    by: Any
    version: Any
    """Of the software that made it."""
    before: Any = ""
    """The check of the entry before it; empty of the first."""
    check: Any = ""

    @property
    def row(self) -> tuple[Any, ...]:
        """As the columns of its table."""
        return (
            self.number, self.kind, self.name, self.revision, self.text, self.utc_ns, self.by,
            self.version, self.before, self.check,
        )  # fmt: skip


def entry_of(row: Sequence[Any]) -> Entry:
    """An entry from its columns, texts as bytes."""
    names = Entry.__slots__
    return Entry(**dict(zip(names, map(_text, row), strict=True)))


def _text(value: object) -> object:
    # Bytes that are no text any more become one that fails the check.
    return value.decode("utf-8", "surrogateescape") if isinstance(value, bytes) else value


def chained(entries: Iterable[Entry], binding: Binding) -> list[Entry]:
    """Numbered from one, each with its check."""
    made: list[Entry] = []
    before = ""
    for number, entry in enumerate(entries, start=1):
        bare = replace(entry, number=number, before=before)
        before = _check(bare, binding)
        made.append(replace(bare, check=before))
    return made


def meta_of(entries: Sequence[Entry], binding: Binding, *, carried: int) -> dict[str, str]:
    """What is kept of the whole file."""
    meta = {
        str(MetaKey.FORMAT): FORMAT,
        str(MetaKey.VERSION): str(VERSION),
        str(MetaKey.RUN): binding.run_id,
        str(MetaKey.DIGEST): binding.digest,
        str(MetaKey.ENTRIES): str(len(entries)),
        str(MetaKey.CARRIED): str(carried),
    }
    last = entries[-1].check if entries else ""
    return {**meta, str(MetaKey.HEAD): _head(meta, last)}


def damage_of(entries: Sequence[Entry], meta: Mapping[str, str], binding: Binding) -> list[str]:
    """What is wrong, a line each; empty when every entry is as it was kept."""
    found = []
    sound = {entry.number for entry in sound_ones(entries, binding)}
    for earlier, number in pairwise([0, *(entry.number for entry in entries)]):
        if number > earlier + 1:
            last = f" to {number - 1}" if number > earlier + 2 else ""
            found.append(f"entry {earlier + 1}{last} is missing")
        if number not in sound:
            found.append(f"entry {number} fails its check")
    if found:
        return found
    for entry, before in zip(entries, ["", *(e.check for e in entries)], strict=False):
        if entry.before != before:
            return [f"entry {entry.number} does not follow the one before it"]
    if meta.get(MetaKey.ENTRIES) != str(len(entries)):
        return [f"{meta.get(MetaKey.ENTRIES)} entries were kept, {len(entries)} are there"]
    last_check = entries[-1].check if entries else ""
    if _head(meta, last_check) != meta.get(MetaKey.HEAD):
        return ["its last check does not hold"]
    return []


def sound_ones(entries: Sequence[Entry], binding: Binding) -> list[Entry]:
    """The entries that are as they were kept.

    One whose own check was damaged is borne out by the entry after it, which holds it, too.
    """
    after = [*(entry.before for entry in entries), None][1:]
    return [
        entry
        for entry, held in zip(entries, after, strict=True)
        if _check(entry, binding) in (entry.check, held)
    ]


def _check(entry: Entry, binding: Binding) -> str:
    told = [FORMAT, VERSION, binding.run_id, binding.digest, *entry.row[:-1]]
    return _sha256(told)


def _head(meta: Mapping[str, str], last: str) -> str:
    told = sorted((key, value) for key, value in meta.items() if key != MetaKey.HEAD)
    return _sha256([told, last])


def _sha256(told: list[Any]) -> str:
    return hashlib.sha256(json.dumps(told).encode("ascii")).hexdigest()
