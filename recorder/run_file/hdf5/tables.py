"""Marks, gaps and events of a file: in full once sealed, else from the fixed-length tables; and
the ties of its times, which the seal makes."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from calibration.quantities.bounded_text import bounded_json
from recorder.machine.version import software
from recorder.marks.mark import Mark
from recorder.run.parts.errors import UnreadableError
from recorder.run.parts.event import Event
from recorder.run.parts.gap import Gap
from recorder.run.time.timeline import Segment
from recorder.run.time.utc import UTC_DTYPE, UtcSource
from recorder.run_file.hdf5.layout import part
from recorder.run_file.hdf5.store import parsed

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from recorder.run.parts.header import RunHeader
    from recorder.run_file.hdf5.store import Store

__all__ = [
    "fill_row",
    "read_events",
    "read_gaps",
    "read_marks",
    "read_tick_ties",
    "read_utc",
    "rows_as_written",
    "table_rows",
]

T = TypeVar("T")


def _cut(text: str, size: int) -> tuple[bytes, bool]:
    """UTF-8 bytes that fit a fixed length, cut between characters, and whether it was cut."""
    data = text.encode("utf-8", "replace")
    if len(data) <= size:
        return data, False
    return data[:size].decode("utf-8", "ignore").encode("utf-8"), True


def fill_row(row: np.void, data: dict[str, Any]) -> None:
    """Fill a row of ``marks``, ``gaps`` or ``events``; words that do not fit are cut, and the row
    says so."""
    cut = False
    for name in row.dtype.names or ():
        if name == "cut":
            continue
        kind = row.dtype[name]
        if kind.kind == "S":
            row[name], shortened = _cut(str(data[name]), kind.itemsize)
            cut = cut or shortened
        else:
            row[name] = data[name]
    row["cut"] = cut


def rows_as_written(
    rows: Sequence[dict[str, Any]], dtype: np.dtype[Any]
) -> list[dict[str, Any]]:
    """What :func:`table_rows` gives once these rows are written.

    Raises
    ------
    OverflowError
        A number is beyond its field.
    """
    made = np.zeros(len(rows), dtype)
    for row, data in zip(made, rows, strict=True):
        fill_row(row, data)
    return _as_plain(made)


def read_marks(store: Store) -> list[Mark]:
    """Every revision in the file, in order of entry; raises ``RunFileError`` on damage."""
    return _read(store, "marks", Mark.from_dict, _mark_row)


def read_gaps(store: Store) -> list[Gap]:
    """All gaps in the file; raises ``RunFileError`` on damage."""
    return _read(store, "gaps", Gap.from_dict, Gap.from_dict)


def read_events(store: Store) -> list[Event]:
    """All events in the file; raises ``RunFileError`` on damage."""
    return _read(store, "events", _event, _event_row)


def read_tick_ties(store: Store, header: RunHeader) -> dict[str, tuple[Segment, ...]]:
    """How each device's ticks were tied to run time; empty before the seal; raises
    ``RunFileError`` on damage."""
    path = "clock/ticks"
    if not _has_sealed(store, path):
        return {}
    ties = parsed(store.path, path, _ties, store.text(path))
    if unlike := ties.keys() ^ {device.name for device in header.devices}:
        words = f"{path} and the header do not tell of the same devices: {sorted(unlike)}"
        raise UnreadableError(store.path, words)
    return ties


def read_utc(store: Store, header: RunHeader) -> tuple[NDArray[np.void], UtcSource] | None:
    """The nodes of UTC, (k,) of ``UTC_DTYPE`` with k ≥ 1, and what they go by; None before the
    seal; raises ``RunFileError`` on damage."""
    path = "clock/utc"
    if not _has_sealed(store, path):
        return None
    column = store.column(path)
    if column.dtype != UTC_DTYPE:
        raise UnreadableError(store.path, f"{path} is not as it should be")
    nodes = column.read()
    t_s = nodes["t_s"]
    if not (len(nodes) and np.isfinite(t_s).all() and (np.diff(t_s) >= 0.0).all()):
        raise UnreadableError(store.path, f"{path} holds no nodes at rising run times")
    if (nodes["u_s"] < 0.0).any() or np.isinf(nodes["u_s"]).any():
        raise UnreadableError(store.path, f"{path} holds an uncertainty that is none")
    by = f"{path}_source"
    _has_sealed(store, by)
    source = parsed(store.path, by, UtcSource.from_json, store.text(by))
    if source.judgement is None and header.software == software():
        words = f"{by} does not tell what the witnesses said, which this version always keeps"
        raise UnreadableError(store.path, words)
    return nodes, source


def _has_sealed(store: Store, path: str) -> bool:
    """Whether there is a part that the seal makes; a sealed file without it is damaged."""
    if store.has(path):
        return True
    if store.number("complete") == 1:
        raise UnreadableError(store.path, f"{path} is missing, every sealed file has it")
    return False


def _read(
    store: Store,
    name: str,
    from_json: Callable[[dict[str, Any]], T],
    from_row: Callable[[dict[str, Any]], T],
) -> list[T]:
    path = f"{name}/json"
    if _has_sealed(store, path):
        rows = parsed(store.path, path, _json_rows, store.text(path))
        return _each(store, path, from_json, rows)
    return _each(store, f"{name}/table", from_row, table_rows(store, name))


def _each(
    store: Store,
    path: str,
    parse: Callable[[dict[str, Any]], T],
    rows: Sequence[dict[str, Any]],
) -> list[T]:
    """Rows count from 1, as people do."""
    return [
        parsed(store.path, f"row {i:,} of {path}", parse, row) for i, row in enumerate(rows, 1)
    ]


def _json_rows(text: str) -> list[dict[str, Any]]:
    rows = bounded_json(text)
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        msg = "not a list of JSON objects"
        raise ValueError(msg)
    return rows


def table_rows(store: Store, name: str) -> list[dict[str, Any]]:
    """The rows of ``marks``, ``gaps`` or ``events`` as they were written live, words cut short.

    Raises
    ------
    UnreadableError
    """
    path = f"{name}/table"
    column = store.column(path)
    if column.dtype != part(path).dtype:
        raise UnreadableError(store.path, f"{path} is not as it should be")
    return _as_plain(column.read())


def _as_plain(rows: NDArray[np.void]) -> list[dict[str, Any]]:
    names = rows.dtype.names or ()
    return [{name: _plain(row[name]) for name in names} for row in rows]


def _plain(value: Any) -> Any:  # noqa: ANN401 - a scalar of a table
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else value.item()


def _mark_row(row: dict[str, Any]) -> Mark:
    held = {**row, "withdrawn": bool(row["withdrawn"])}
    # What a key could not fit stands in full in the journal, and here once sealed.
    held["extra"] = {"words_cut": True} if held.pop("cut") else {}
    return Mark.from_dict(held)


def _event(row: dict[str, Any]) -> Event:
    t_s = float(row["t_s"])
    if not math.isfinite(t_s):
        msg = f"t_s of an event is {t_s}, a finite number is allowed"
        raise ValueError(msg)
    return Event(kind=str(row["kind"]), t_s=t_s, data=dict(row["data"]))


def _event_row(row: dict[str, Any]) -> Event:
    data = {"words_cut": row["data"]} if row["cut"] else bounded_json(row["data"])
    return _event({**row, "data": data})


def _ties(text: str) -> dict[str, tuple[Segment, ...]]:
    held = bounded_json(text)
    if not isinstance(held, dict):
        msg = "not a JSON object"
        raise TypeError(msg)
    return {
        str(device): tuple(Segment.from_dict(row) for row in rows)
        for device, rows in held.items()
    }
