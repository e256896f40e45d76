"""A disk that keeps what was brought to it, and of the rest whatever the cut left.

``Disk`` takes operations one by one. At any instant ``leave`` writes the folder as a power cut
might leave it: everything synced is there; what was not may be dropped, kept, torn at a sector
or a page, kept in any other order, or be room without content. Names that no sync of the folder
has brought to the disk may be lost as well, or come back.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Final

from tests.campaigns.faults.io_log import (
    Ack,
    Create,
    Link,
    Op,
    Rename,
    Sync,
    Truncate,
    Unlink,
    Write,
)

__all__ = ["Cut", "Disk"]

SECTOR_BYTES: Final = 512
PAGE_BYTES: Final = 4096


class Cut(StrEnum):
    """What becomes of that which was not synced."""

    DROPPED = "dropped"
    KEPT = "kept"
    TORN_512 = "torn at 512"
    TORN_4096 = "torn at 4096"
    REORDERED = "reordered"
    ZEROED = "zeroed"


@dataclass
class _File:
    """One file: what is on the disk for certain, and what is on its way."""

    synced: bytearray = field(default_factory=bytearray)
    pending: list[tuple[int, Write | Truncate]] = field(default_factory=list)

    def sync(self, began: int) -> None:
        """Bring to the disk what had been written when the sync was asked for."""
        for at, op in self.pending:
            if at < began:
                _apply(self.synced, op)
        self.pending = [(at, op) for at, op in self.pending if at >= began]


def _apply(content: bytearray, op: Write | Truncate) -> None:
    if isinstance(op, Truncate):
        del content[op.size :]
        content.extend(bytes(op.size - len(content)))
        return
    content.extend(bytes(max(op.offset - len(content), 0)))
    content[op.offset : op.offset + len(op.data)] = op.data


class Disk:
    """Files of one folder, taken through a log."""

    def __init__(self, before: Path, folder: Path) -> None:
        """``before`` holds the folder's files as they were, all on the disk."""
        self.acks: list[str] = []
        self._n = 0
        self._live: dict[str, _File] = {
            str(folder / path.name): _File(bytearray(path.read_bytes()))
            for path in before.iterdir()
        }
        self._kept = dict(self._live)
        self._names: list[tuple[int, dict[str, _File | None]]] = []
        """Changes of names not synced: each from path to file, None where it is gone."""

    def take(self, op: Op) -> None:
        """One operation."""
        self._n += 1
        match op:
            case Ack(text):
                self.acks.append(text)
            case Write(path) | Truncate(path):
                if path in self._live:
                    self._live[path].pending.append((self._n - 1, op))
            case Sync(path, began):
                self._sync(path, began)
            case Create(path):
                self._name({path: _File()})
            case Link(path, to):
                self._name({to: self._live[path]})
            case Rename(path, to):
                self._name({path: None, to: self._live[path]})
            case Unlink(path):
                self._name({path: None})

    def _sync(self, path: str, began: int) -> None:
        if path in self._live:
            self._live[path].sync(began)
            return
        for at, change in self._names:
            if at < began:
                _rename(self._kept, change)
        self._names = [(at, change) for at, change in self._names if at >= began]

    def _name(self, change: dict[str, _File | None]) -> None:
        self._names.append((self._n - 1, change))
        _rename(self._live, change)

    # ------------------------------------------------------------------ the cut

    def leave(self, place: Path, cut: Cut, chance: random.Random) -> None:
        """Write what is there after a cut at this instant into an empty folder."""
        names = dict(self._kept)
        for change in self._persisted(cut, chance):
            _rename(names, change)
        for path, file in names.items():
            content = _left(file, cut, chance)
            (place / Path(path).name).write_bytes(content)

    def _persisted(self, cut: Cut, chance: random.Random) -> Sequence[dict[str, _File | None]]:
        """Changes of names that reached the disk although nobody asked."""
        changes = [change for _, change in self._names]
        if cut is Cut.DROPPED:
            return []
        if cut is Cut.KEPT:
            return changes
        if cut is Cut.REORDERED:
            return [change for change in changes if chance.random() < 0.5]
        return changes[: chance.randint(0, len(changes))]


def _rename(names: dict[str, _File], change: dict[str, _File | None]) -> None:
    for path, file in change.items():
        if file is None:
            names.pop(path, None)
        else:
            names[path] = file


def _left(file: _File, cut: Cut, chance: random.Random) -> bytearray:
    content = bytearray(file.synced)
    pending = [op for _, op in file.pending]
    if cut is Cut.KEPT:
        for op in pending:
            _apply(content, op)
    elif cut in {Cut.TORN_512, Cut.TORN_4096}:
        _torn(content, pending, SECTOR_BYTES if cut is Cut.TORN_512 else PAGE_BYTES, chance)
    elif cut is Cut.REORDERED:
        for op in pending:
            for piece in _pieces(op, PAGE_BYTES):
                if chance.random() < 0.5:
                    _apply(content, piece)
    elif cut is Cut.ZEROED:
        _zeroed(content, pending, chance)
    return content


def _pieces(op: Write | Truncate, size: int) -> list[Write | Truncate]:
    """A write in pieces that each lie within one sector or page of the file."""
    if isinstance(op, Truncate):
        return [op]
    at, end = op.offset, op.offset + len(op.data)
    pieces: list[Write | Truncate] = []
    while at < end:
        stop = min((at // size + 1) * size, end)
        pieces.append(Write(op.path, at, op.data[at - op.offset : stop - op.offset]))
        at = stop
    return pieces


def _torn(
    content: bytearray, pending: Sequence[Write | Truncate], size: int, chance: random.Random
) -> None:
    """Some writes whole, the next one in part."""
    whole = chance.randint(0, len(pending))
    for op in pending[:whole]:
        _apply(content, op)
    if whole < len(pending):
        pieces = _pieces(pending[whole], size)
        for piece in pieces[: chance.randint(0, len(pieces))]:
            _apply(content, piece)


def _zeroed(
    content: bytearray, pending: Sequence[Write | Truncate], chance: random.Random
) -> None:
    """The file has grown, and part of what it grew by was never written."""
    old = len(content)
    for op in pending:
        _apply(content, op)
    for start in range(old, len(content), PAGE_BYTES):
        if chance.random() < 0.5:
            stop = min(start + PAGE_BYTES, len(content))
            content[start:stop] = bytes(stop - start)
