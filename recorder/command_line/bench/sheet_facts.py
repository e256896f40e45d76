"""A bench sheet's facts for certificates beside the force cell's: laboratory, item, reference."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from calibration.readings.bench_settings import BenchSettings
from recorder.command_line.support.errors import UsageError
from recorder.sheets.sheet_table import read_text_file, read_toml

__all__ = ["stated_facts"]

_KEPT: Final = (
    "operator", "place", "remarks", "room_temperature_C", "reference", "reference_U_pct",
    "reference_k", "standard", "laboratory",
)  # fmt: skip
"""What is true of a calibration whatever was calibrated."""


def stated_facts(sheet: str | None) -> dict[str, Any]:
    """What a sheet states, as plain JSON; empty without one.

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
    path = Path(sheet)
    given = read_toml(read_text_file(path), source=str(path))
    try:
        settings = BenchSettings.from_document(given)
    except ValueError as error:
        msg = f"{path}: {error}"
        raise UsageError(msg) from error
    document, nothing = settings.to_document(), BenchSettings().to_document()
    return {
        name: document[name]
        for name in _KEPT
        if name in document and document[name] != nothing.get(name)
    }
