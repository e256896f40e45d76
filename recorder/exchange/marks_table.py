"""Marks of a run recorded elsewhere, from a table beside its own."""

from __future__ import annotations

import math
import uuid
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.spreadsheet import from_cell
from calibration.quantities.units import UnitError, convert, split_column
from recorder.exchange.table_text import TableError, number_in, rows_of
from recorder.marks.kinds import MarkError, find_kind
from recorder.marks.mark import Mark
from recorder.marks.values import parse

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from recorder.exchange.table_import import ImportedTable

__all__ = ["read_marks_table"]

READ: Final = ("kind", "value", "note", "by")
OURS: Final = ("utc", "u_utc_s", "revision", "entered_utc", "mark_id", "extra")
"""Written by our own export; a mark that comes in is a new one."""


def read_marks_table(
    path: Path,
    table: ImportedTable | None = None,
    *,
    warn: Callable[[str], None] | None = None,
) -> list[Mark]:
    """Marks from a CSV with ``kind``, and if there ``value``, ``note`` and ``by``.

    Their place is ``time_s`` (or another unit of time) by the clock of ``table``, or, on a roll
    without a clock, ``distance_m`` (or another unit of length) along it.

    Raises
    ------
    TableError
        A column is missing, or a row cannot be a mark.
    OSError
        The file cannot be read.
    """
    rows, header_row = rows_of(path)
    names = [cell.strip() for cell in rows[0][1]]
    where = _where(path, header_row, names)
    for name in names:
        if warn is not None and name and name not in (where, *READ, *OURS):
            known = ", ".join((where, *READ))
            warn(f"{path}: column {name!r} is left out: a mark has {known}")
    marks = []
    for number, cells in rows[1:]:
        row = dict(zip(names, [from_cell(c.strip()) for c in cells], strict=False))
        place = number_in(path, number, where, row.get(where, ""))
        if not math.isfinite(place):
            msg = f"{path} row {number}: {where} is empty; every mark needs it"
            raise TableError(msg)
        try:
            kind = find_kind(row.get("kind", ""))
            value = parse(kind, row.get("value", "")).text
            t_s = _instant(where, place, table)
        except (MarkError, TableError) as error:
            msg = f"{path} row {number}: {error}"
            raise TableError(msg) from error
        marks.append(
            Mark(
                mark_id=uuid.uuid4().hex,
                kind=kind,
                t_s=t_s,
                value=value,
                note=row.get("note", ""),
                by=row.get("by", ""),
            )
        )
    return marks


def _where(path: Path, header_row: int, names: list[str]) -> str:
    """The column that places the marks: time before distance."""
    found = {
        quantity: name
        for name in reversed(names)
        for quantity, unit in [split_column(name)]
        if _is(quantity, unit)
    }
    missing = None if "time" in found or "distance" in found else "time_s"
    missing = missing or (None if "kind" in names else "kind")
    if missing:
        msg = f"{path} row {header_row}: column {missing} is missing; found {', '.join(names)}"
        raise TableError(msg)
    return found.get("time") or found["distance"]


def _is(quantity: str, unit: str) -> bool:
    wanted = {"time": "s", "distance": "m"}.get(quantity)
    if wanted is None or not unit:
        return False
    try:
        convert(1.0, unit, wanted)
    except UnitError:
        return False
    return True


def _instant(where: str, place: float, table: ImportedTable | None) -> float:
    """Run time of a mark at a place of its table's own clock, or of its roll."""
    quantity, unit = split_column(where)
    if quantity == "time":
        return float(convert(place, unit, "s")) - (0.0 if table is None else table.start_s)
    if table is None or "distance" not in table.columns:
        msg = f"{where}: the table has no distance to place a mark by; give time_s"
        raise TableError(msg)
    at_m = float(convert(place, unit, "m"))
    along = table.columns["distance"]
    good = np.isfinite(along)
    steps = np.diff(along[good])
    if not good.any() or not ((steps >= 0.0).all() or (steps <= 0.0).all()):
        msg = f"{where}: the table's distance turns back, so a distance is no instant; give time_s"
        raise TableError(msg)
    low, high = float(along[good].min()), float(along[good].max())
    if not low <= at_m <= high:
        table_m = f"{low:.1f} to {high:.1f} m"
        msg = f"{where} is {place:g}: {at_m:.1f} m lies outside the table, {table_m}"
        raise TableError(msg)
    sign = 1.0 if along[good][-1] >= along[good][0] else -1.0
    return float(np.interp(sign * at_m, sign * along[good], table.time_s[good]))
