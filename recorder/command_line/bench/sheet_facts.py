"""A bench sheet: a file of stated facts, read for the certificates of cells, wheels and clocks."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from calibration.readings.bench_settings import BenchSettings
from recorder.command_line.support.errors import UsageError
from recorder.sheets.sheet_table import read_text_file, read_toml

__all__ = ["common_facts", "read_sheet"]

_KEPT: Final = (
    "operator", "place", "remarks", "room_temperature_C", "reference", "reference_U_pct",
    "reference_k", "standard", "laboratory",
)  # fmt: skip
"""What is true of a calibration whatever was calibrated."""


def read_sheet(sheet: str | None) -> dict[str, Any]:
    """What a sheet states, as it states it; empty without one.

    Raises
    ------
    UsageError
        The sheet states what is not known or cannot be; the text names it.
    SheetError
        It does not read.
    OSError
        It cannot be opened.
    """
    if sheet is None:
        return {}
    given = read_toml(read_text_file(Path(sheet)), source=sheet)
    try:
        BenchSettings.from_document(given)
    except ValueError as error:
        msg = f"{sheet}: {error}"
        raise UsageError(msg) from error
    return given


def common_facts(sheet: str | None) -> dict[str, Any]:
    """Laboratory, reference and the like of a sheet, as plain JSON; raises as ``read_sheet``."""
    document = BenchSettings.from_document(read_sheet(sheet)).to_document()
    nothing = BenchSettings().to_document()
    return {
        name: document[name]
        for name in _KEPT
        if name in document and document[name] != nothing.get(name)
    }
