"""How a car records: the table ``[recording]`` of its sheet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from recorder.sheets.sheet_table import SheetTable

__all__ = ["RecordingSheet", "recording_sheet"]

LONGEST_ZERO_S: Final = 600.0
"""A zero longer than ten minutes is a drift test, and nobody keeps a train at rest for it."""
SLOWEST: Final = 0.001
"""Times real time, that anybody would watch a feed at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingSheet:
    """How this car records."""

    zero_seconds: float = 3.0
    """How long the zero is taken, standing, before the run; 0: the certificate's zero."""
    free_disk_margin_hours: float = 1.0
    """Disk left, in hours of recording, at which the crew is warned."""
    stop_free_MiB: float = 256.0
    """Disk left at which recording stops cleanly."""
    allow_network_disk: bool = False
    group: str = ""
    """A group of this computer that may read journal and run file, too; empty: nobody else."""
    signing_key: str = ""
    """File of the car's private key, relative to the sheet; empty: runs are not signed."""
    simulated_speed: float | None = None
    """Run seconds in a second of the computer, where feeds are fast or slow on purpose; 0: as fast
    as they go; None: time is real."""


def recording_sheet(table: SheetTable) -> RecordingSheet:
    """The table ``[recording]``; what is wrong with it is told to the table."""
    usual = RecordingSheet()
    zero = table.number("zero_seconds", usual.zero_seconds, low=0.0, high=LONGEST_ZERO_S)
    margin = table.number(
        "free_disk_margin_hours", usual.free_disk_margin_hours, low=0.0, high=100.0
    )
    stop = table.number("stop_free_MiB", usual.stop_free_MiB, low=16.0, high=1e6)
    sheet = RecordingSheet(
        zero_seconds=usual.zero_seconds if zero is None else zero,
        free_disk_margin_hours=usual.free_disk_margin_hours if margin is None else margin,
        stop_free_MiB=usual.stop_free_MiB if stop is None else stop,
        allow_network_disk=table.flag("allow_network_disk"),
        group=table.text("group", most=100).strip(),
        signing_key=table.text("signing_key").strip(),
        simulated_speed=table.number("simulated_speed", low=0.0, high=1000.0),
    )
    if sheet.simulated_speed is not None and 0.0 < sheet.simulated_speed < SLOWEST:
        table.problem(
            f"simulated_speed must be 0 (as fast as it goes) or {SLOWEST:g} to 1000, got"
            f" {sheet.simulated_speed:g}"
        )
    table.done()
    return sheet
