"""A table as a file: whole or not there, and no text of it run by a spreadsheet."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet as pq

from calibration.files.durable import whole_file
from calibration.quantities.spreadsheet import as_cell

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["keep_csv", "keep_parquet"]


def keep_csv(table: pa.Table, path: Path) -> None:
    """Write a table as CSV, its texts as cells that no spreadsheet takes for formulas."""
    for i, field in enumerate(table.schema):
        if pa.types.is_string(field.type):
            texts = [None if t is None else as_cell(t) for t in table.column(i).to_pylist()]
            table = table.set_column(i, field, pa.array(texts, field.type))
    named = table.rename_columns([as_cell(name) for name in table.column_names])
    with whole_file(path) as part:
        pyarrow.csv.write_csv(named, part)


def keep_parquet(table: pa.Table, path: Path) -> None:
    """Write a table as Parquet."""
    with whole_file(path) as part:
        pq.write_table(table, part)
