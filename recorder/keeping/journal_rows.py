"""Rows of a journal as they are read back: each is believed only if its check agrees."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from recorder.keeping import batch_rows
from recorder.marks.mark import Mark
from recorder.run.block import blocks_of
from recorder.run.event import Event

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from recorder.run.block import Block

__all__ = ["Cursor", "Damage", "Rows", "StoredBlocks"]


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


@dataclass(slots=True)
class Rows:
    """What one look brought: all of one moment, at most a chunk at a time."""

    batches: list[StoredBlocks] = field(default_factory=list)
    marks: list[Mark] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    damage: list[Damage] = field(default_factory=list)

    def __bool__(self) -> bool:
        return bool(self.batches or self.marks or self.events or self.damage)

    def take_batch(self, row: tuple[Any, ...], dtypes: Mapping[str, np.dtype[Any]]) -> None:
        """Take up one row of the batches; ``dtypes`` are the layouts of the run's devices."""
        i, device, first, n, check, payload = row
        name = _text(device)
        why = "fails its check"
        if (
            isinstance(payload, bytes)
            and isinstance(first, int)
            and check == batch_rows.crc(i, name, first, n, payload)
            and name in dtypes
        ):
            try:
                heads, records = batch_rows.unpack(dtypes[name], payload)
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
        if check == batch_rows.crc(i, _text(mark_id), revision, text):
            try:
                self.marks.append(Mark.from_dict(json.loads(text)))
            except (ValueError, TypeError, AttributeError) as error:
                self.damage.append(_one_row("marks", i, str(error)))
        else:
            self.damage.append(_one_row("marks", i, "fails its check"))

    def take_event(self, row: tuple[Any, ...]) -> None:
        """Take up one row of the events."""
        i, kind, t_s, data, check = row
        text = _text(data)
        if check == batch_rows.crc(i, _text(kind), t_s, text):
            try:
                content = json.loads(text)
                self.events.append(Event(kind=_text(kind), t_s=float(t_s), data=dict(content)))
            except (ValueError, TypeError) as error:
                self.damage.append(_one_row("events", i, str(error)))
        else:
            self.damage.append(_one_row("events", i, "fails its check"))


def _one_row(table: str, row: int, why: str, device: str = "") -> Damage:
    return Damage(table=table, row=row, last_row=row, why=why, device=device)


def _text(value: object) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
