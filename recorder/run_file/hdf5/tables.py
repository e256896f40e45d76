"""Marks, gaps and events of a file: in full once sealed, else from the fixed-length tables."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from recorder.marks.mark import Mark
from recorder.run.errors import reading
from recorder.run.event import Event
from recorder.run.gap import Gap
from recorder.run_file.hdf5.create import get_text
from recorder.run_file.hdf5.layout import EVENT_DTYPE, GAP_DTYPE, MARK_DTYPE

if TYPE_CHECKING:
    from pathlib import Path

    import h5py
    import numpy as np

__all__ = ["read_events", "read_gaps", "read_marks", "read_tick_ties"]


def read_marks(file: h5py.File, path: Path) -> list[Mark]:
    """Every revision in the file, in order of entry; raises ``RunFileError`` on damage."""
    with reading(path):
        if "marks/json" in file:
            return [Mark.from_dict(row) for row in _json_rows(file, "marks/json")]
        return [
            Mark.from_dict(_mark_row(row)) for row in _table(file["marks/table"], MARK_DTYPE)
        ]


def read_gaps(file: h5py.File, path: Path) -> list[Gap]:
    """All gaps in the file; raises ``RunFileError`` on damage."""
    with reading(path):
        if "gaps/json" in file:
            return [Gap.from_dict(row) for row in _json_rows(file, "gaps/json")]
        return [Gap.from_dict(row) for row in _table(file["gaps/table"], GAP_DTYPE)]


def read_events(file: h5py.File, path: Path) -> list[Event]:
    """All events in the file; raises ``RunFileError`` on damage."""
    with reading(path):
        if "events/json" in file:
            return [_event(row) for row in _json_rows(file, "events/json")]
        return [_event_row(row) for row in _table(file["events/table"], EVENT_DTYPE)]


def read_tick_ties(file: h5py.File, path: Path) -> dict[str, list[dict[str, Any]]]:
    """How each device's ticks were tied to run time; empty before the seal."""
    with reading(path):
        if "clock/ticks" not in file:
            return {}
        held = json.loads(get_text(file, "clock/ticks"))
        if not isinstance(held, dict):
            msg = "clock/ticks is not a JSON object"
            raise TypeError(msg)
        return held


def _json_rows(file: h5py.File, path: str) -> list[dict[str, Any]]:
    rows = json.loads(get_text(file, path))
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        msg = f"{path} is not a list of JSON objects"
        raise ValueError(msg)
    return rows


def _table(dataset: h5py.Dataset, dtype: np.dtype[Any]) -> list[dict[str, Any]]:
    if dataset.dtype != dtype:
        msg = f"{dataset.name} is not as it should be"
        raise ValueError(msg)
    return [{name: _plain(row[name]) for name in dtype.names or ()} for row in dataset[:]]


def _plain(value: Any) -> Any:  # noqa: ANN401 - a scalar of a table
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else value.item()


def _mark_row(row: dict[str, Any]) -> dict[str, Any]:
    cut = row.pop("cut")
    row["withdrawn"] = bool(row["withdrawn"])
    # What a key could not fit stands in full in the journal, and here once sealed.
    return {**row, "extra": {"words_cut": True} if cut else {}}


def _event(row: dict[str, Any]) -> Event:
    return Event(kind=str(row["kind"]), t_s=float(row["t_s"]), data=dict(row["data"]))


def _event_row(row: dict[str, Any]) -> Event:
    data = {"words_cut": row["data"]} if row["cut"] else json.loads(row["data"])
    return Event(kind=str(row["kind"]), t_s=float(row["t_s"]), data=dict(data))
