"""The rows of a journal: blocks packed into one payload, the check over every row, and rows as
they are read back, believed only if their check agrees.

A payload is ``<u4`` number of blocks b, b heads of ``HEAD_DTYPE``, then the records of all
blocks on end.
"""

from __future__ import annotations

import math
import struct
import zlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np

from calibration.quantities.bounded_text import bounded_json
from recorder.keeping.errors import JournalError
from recorder.marks.mark import Mark
from recorder.run.parts.block import HEAD_DTYPE, blocks_of, by_device, heads_of
from recorder.run.parts.errors import RunFileError
from recorder.run.parts.event import Event
from recorder.run.parts.header import RunHeader
from recorder.run.parts.kept_counts import COUNTED, MOST_RECORDS, Counts
from recorder.run_file.hdf5.naming import check_names

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from recorder.run.parts.block import Block

__all__ = [
    "FORMAT", "VERSION", "Cursor", "Damage", "NewRow", "Packed", "Rows", "Shortfall",
    "StoredBlocks", "header_from", "pack_blocks", "pack_rows", "row_crc", "row_proof",
    "unpack_blocks",
]  # fmt: skip

FORMAT: Final = "testcar-journal"
VERSION: Final = 1
"""Written, and the newest that is read."""
ROW_BYTES: Final = 64 * 1024
"""Records in one row of the batches, where their blocks are not longer: about a second's."""
_COUNT: Final = struct.Struct("<I")


class NewRow(NamedTuple):
    """A row to be kept; its id is the first column."""

    table: str
    check: int
    columns: tuple[Any, ...]


class Packed(NamedTuple):
    """Records of one device, as a row of the batches holds them."""

    device: str
    n: int
    payload: bytes


def row_crc(*columns: float | str | bytes) -> int:
    """CRC-32 over the columns of a row, order and bounds included."""
    check = 0
    for column in columns:
        data = column if isinstance(column, bytes) else str(column).encode("utf-8", "replace")
        check = zlib.crc32(data, zlib.crc32(b"\x1f", check))
    return check


def row_proof(
    row: int, columns: Sequence[int | float | bytes | None]
) -> tuple[str, int] | None:
    """Table and check of a row found without its table, which its check alone can tell."""
    match columns:
        case (
            None,
            bytes() as device,
            int() as first,
            int() as n,
            int() as check,
            bytes() as blob,
        ):
            made = row_crc(row, device, first, n, blob)
            return ("batches", check) if check == made else None
        case (
            None,
            bytes() as name,
            int() | float() as number,
            bytes() as text,
            int() as check,
        ):
            if isinstance(number, int) and check == row_crc(row, name, number, text):
                return "marks", check
            # A run time that is a whole number lies in the file as one.
            made = row_crc(row, name, float(number), text)
            return ("events", check) if check == made else None
        case (bytes() as key, bytes() as value, int() as check):
            return ("meta", check) if check == row_crc(key, value) else None
    return None


def header_from(meta: Mapping[str, str], path: Path) -> RunHeader:
    """The run's header by the rows of ``meta``.

    Raises
    ------
    JournalError
        Of a newer version, or a header that no run file can have.
    ValueError, KeyError, TypeError, AttributeError
        No header.
    """
    if meta["format"] != FORMAT:
        msg = f"format {meta['format']!r}"
        raise ValueError(msg)
    if int(meta["version"]) > VERSION:
        msg = (
            f"{path}: journal version {meta['version']} is newer than this program"
            f" reads ({VERSION}): use a newer one"
        )
        raise JournalError(msg)
    header = RunHeader.from_json(meta["header"])
    try:
        check_names(header)
    except RunFileError as error:
        msg = f"{path}: {error}"
        raise JournalError(msg) from error
    return header


def pack_blocks(blocks: Sequence[Block]) -> tuple[int, bytes]:
    """Number of records, and the payload, of blocks of one device."""
    parts: list[Any] = [_COUNT.pack(len(blocks)), heads_of(blocks).tobytes()]
    parts.extend(np.ascontiguousarray(block.records).view(np.uint8).data for block in blocks)
    return sum(len(block.records) for block in blocks), b"".join(parts)


def pack_rows(blocks: Sequence[Block]) -> list[Packed]:
    """Blocks of any devices as rows of the batches; what waited through a fault is many rows,
    so that damage to one of them costs no more than it would have otherwise."""
    rows = []
    for device, held in by_device(blocks).items():
        begin = size = 0
        for i, block in enumerate(held):
            if i > begin and size + block.records.nbytes > ROW_BYTES:
                rows.append(Packed(device, *pack_blocks(held[begin:i])))
                begin, size = i, 0
            size += block.records.nbytes
        rows.append(Packed(device, *pack_blocks(held[begin:])))
    return rows


def unpack_blocks(
    dtype: np.dtype[Any], payload: bytes
) -> tuple[NDArray[np.void], NDArray[np.void]]:
    """Heads and records that :func:`pack_blocks` put together: views into the payload, read-only.

    Raises
    ------
    ValueError
        The payload is not what ``pack_blocks`` makes.
    """
    if len(payload) < _COUNT.size:
        msg = f"the payload is cut short: {len(payload)} bytes"
        raise ValueError(msg)
    (count,) = _COUNT.unpack_from(payload)
    offset = _COUNT.size + count * HEAD_DTYPE.itemsize
    if len(payload) < offset:
        msg = f"the payload is cut short: {len(payload)} bytes for {count} heads"
        raise ValueError(msg)
    heads = np.frombuffer(payload, HEAD_DTYPE, count=count, offset=_COUNT.size)
    n = int(heads["n"].sum(dtype=np.int64))
    if len(payload) != offset + n * dtype.itemsize:
        msg = f"the payload has {len(payload)} bytes, its heads promise {n} records"
        raise ValueError(msg)
    return heads, np.frombuffer(payload, dtype, count=n, offset=offset)


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """Rows that were committed, or may have been, and cannot be believed or read."""

    table: str
    row: int
    """The first of them; 0 for the journal's own header."""
    last_row: int | None
    """The last of them; None: all to the end of the table, which cannot be read either."""
    why: str
    device: str = ""
    from_s: float | None = None
    to_s: float | None = None
    """Run time of what stands before and after, where rows of events or marks are lost."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortfall:
    """Records at the end of a device that were counted, and are not there."""

    device: str
    records: int
    counted_s: float
    """Run time of the count."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredBlocks:
    """The blocks of one device of one commit."""

    row: int
    device: str
    first_record: int
    """Index of the first record in all records of the device."""
    heads: NDArray[np.void]
    """(b,) of ``HEAD_DTYPE``, one a block."""
    records: NDArray[np.void]
    """(n,) of all blocks on end."""

    @property
    def blocks(self) -> list[Block]:
        """One by one."""
        return blocks_of(self.device, self.heads, self.records)


@dataclass(slots=True)
class Cursor:
    """The last row seen of each table, and what has been reported once and for all."""

    batches: int = 0
    marks: int = 0
    events: int = 0
    given_up: set[str] = field(default_factory=set)
    """Tables whose end cannot be read: reported as a loss, and not tried again."""
    header_checked: bool = False
    end_checked: bool = False


@dataclass(slots=True)
class Rows:
    """What one look brought: all of one moment, at most a chunk at a time."""

    batches: list[StoredBlocks] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    damage: list[Damage] = field(default_factory=list)
    short: list[Shortfall] = field(default_factory=list)
    """With the last rows: what should have come after them."""
    counts: Counts | None = None
    """The newest that these events carried."""

    def __bool__(self) -> bool:
        return bool(self.batches or self.marks or self.events or self.damage or self.short)

    def take_batch(self, row: tuple[Any, ...], dtypes: Mapping[str, np.dtype[Any]]) -> None:
        """Take up one row of the batches; ``dtypes`` are the layouts of the run's devices."""
        i, device, first, n, check, payload = row
        name = _text(device)
        why = "fails its check"
        if isinstance(first, int) and not 0 <= first < MOST_RECORDS:
            why = f"cannot begin at record {first}"
        elif (
            isinstance(payload, bytes)
            and isinstance(first, int)
            and check == row_crc(i, name, first, n, payload)
            and name in dtypes
        ):
            try:
                heads, records = unpack_blocks(dtypes[name], payload)
            except ValueError as error:
                why = str(error)
            else:
                batch = StoredBlocks(
                    row=i, device=name, first_record=first, heads=heads, records=records
                )
                self.batches.append(batch)
                return
        self.damage.append(_one_row("batches", i, why, name))

    def take_mark(self, row: tuple[Any, ...]) -> None:
        """Take up one row of the marks."""
        i, mark_id, revision, data, check = row
        text = _text(data)
        if check == row_crc(i, _text(mark_id), revision, text):
            try:
                self.marks.append(Mark.from_dict(bounded_json(text)))
            except (ValueError, TypeError, AttributeError) as error:
                self.damage.append(_one_row("marks", i, str(error)))
        else:
            self.damage.append(_one_row("marks", i, "fails its check"))

    def take_event(self, row: tuple[Any, ...]) -> None:
        """Take up one row of the events."""
        i, kind, t_s, data, check = row
        text = _text(data)
        if check == row_crc(i, _text(kind), t_s, text):
            try:
                content = dict(bounded_json(text))
                counts = Counts.of(content.pop(COUNTED, None))
                self.events.append(Event(kind=_text(kind), t_s=_instant(t_s), data=content))
                # The journal's own, put there with the commit: the event is what came.
                self.counts = counts or self.counts
            except (ValueError, TypeError) as error:
                self.damage.append(_one_row("events", i, str(error)))
        else:
            self.damage.append(_one_row("events", i, "fails its check"))


def _one_row(table: str, row: int, why: str, device: str = "") -> Damage:
    return Damage(table=table, row=row, last_row=row, why=why, device=device)


def _instant(t_s: float) -> float:
    """The run time of an event; a run file with another could not be opened."""
    instant = float(t_s)
    if not math.isfinite(instant):
        msg = f"is of no time that can be ({instant} s)"
        raise ValueError(msg)
    return instant


def _text(value: object) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
