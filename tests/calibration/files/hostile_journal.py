"""A rollback journal as SQLite writes one of several databases at once, by its file format."""

from __future__ import annotations

import struct
from pathlib import Path

__all__ = ["journal_naming"]

MAGIC = bytes.fromhex("d9d505f920a163d7")
SECTOR = 512
LOCKED_AT = 2**30
"""Byte of a database that is on no page of use."""


def journal_naming(other: Path, database: Path) -> Path:
    """A journal of no pages beside a database; taken back, it has ``other`` removed."""
    data, name = database.read_bytes(), str(other).encode()
    page = int.from_bytes(data[16:18], "big")
    head = MAGIC + struct.pack(">IIIII", 0, 1, len(data) // page, SECTOR, page)
    total = sum(struct.unpack(f"{len(name)}b", name)) & 0xFFFFFFFF
    journal = database.with_name(database.name + "-journal")
    journal.write_bytes(
        head.ljust(SECTOR, b"\0")
        + struct.pack(">I", LOCKED_AT // page + 1)
        + name
        + struct.pack(">II", len(name), total)
        + MAGIC
    )
    return journal
