"""The crew's edits of steady stretches: read from a table, kept beside the run, found again."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from calibration.quantities.bounded_text import read_bounded_text
from calibration.quantities.spreadsheet import from_cell
from recorder.analysis.stretches.stretch_edits import EditAction, StretchEdit
from recorder.machine.version import software
from recorder.run_file.companion.companion import Companion, companion_path

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["EDITS", "edits_for", "keep_edits", "kept_edits", "read_edits"]

EDITS: Final = "stretch edits"
"""Name of the result in the companion."""
LARGEST_BYTES: Final = 2**20
"""Some ten thousand edits; nobody makes so many by hand."""
_WANTED: Final = "columns action (strike or add), start_s, end_s, reason, and run when several"


def read_edits(path: Path) -> tuple[StretchEdit, ...]:
    """Read a CSV of edits.

    Raises
    ------
    ValueError
        A row cannot be used; names it.
    OSError
        The file cannot be read.
    """
    text = read_bounded_text(
        path, largest=LARGEST_BYTES, refused="not a table of edits", error=ValueError
    )
    number, edits = 1, []
    try:
        for row in csv.DictReader(io.StringIO(text, newline="")):
            number += 1
            edits.append(_edit(row))
    except (csv.Error, KeyError, TypeError, ValueError) as error:
        why = f"{error.args[0]} is missing" if isinstance(error, KeyError) else error
        msg = f"{path} row {number}: {why}; wanted: {_WANTED}"
        raise ValueError(msg) from error
    return tuple(edits)


def _edit(row: dict[str, Any], run: str = "") -> StretchEdit:
    action = str(row["action"] or "").strip()
    if action not in set(EditAction):
        msg = f"action {action!r} is neither {' nor '.join(EditAction)}"
        raise ValueError(msg)
    edit = StretchEdit(
        action=EditAction(action),
        t_start_s=float(row["start_s"]),
        t_end_s=float(row["end_s"]),
        reason=from_cell(str(row["reason"] or "").strip()),
        run=run or from_cell(str(row.get("run") or "").strip()),
    )
    if not math.isfinite(edit.t_start_s) or not edit.t_end_s > edit.t_start_s:
        msg = f"the end {edit.t_end_s} s must come after the start {edit.t_start_s} s"
        raise ValueError(msg)
    if not edit.reason:
        msg = "reason is empty; say why, it is kept beside the run"
        raise ValueError(msg)
    return edit


def kept_edits(run: RunFile, name: str) -> tuple[StretchEdit, ...]:
    """The newest edits kept beside a run; none when there are none.

    Raises
    ------
    ValueError
        What is kept does not read.
    """
    kept = run.companion.result(EDITS)
    if kept is None:
        return ()
    try:
        return tuple(_edit(row, name) for row in kept.data)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        msg = (
            f"{run.companion.path}: the edits of test sections kept there do not read"
            f" ({error!r}); give others: testcar report --edits EDITS.csv, or --no-edits"
        )
        raise ValueError(msg) from error


def edits_for(
    runs: Sequence[LoadedRun], given: tuple[StretchEdit, ...] | None
) -> tuple[StretchEdit, ...]:
    """The edits of a campaign: those given, or those kept. With one run, a given edit that
    names none is for it.
    """
    if given is None:
        return tuple(e for run in runs for e in run.provenance.edits)
    if len(runs) > 1:
        return given
    return tuple(replace(e, run=e.run or runs[0].name) for e in given)


def keep_edits(runs: Sequence[LoadedRun], edits: Sequence[StretchEdit], *, by: str) -> None:
    """Keep each run's edits in its companion, so that the next report finds them.

    Raises
    ------
    CompanionError, OSError
        The companion cannot be written.
    """
    for run in runs:
        rows = [
            {"action": e.action, "start_s": e.t_start_s, "end_s": e.t_end_s, "reason": e.reason}
            for e in edits
            if e.run == run.name
        ]
        of_run = run.provenance
        companion = Companion(
            companion_path(of_run.path), run.run_id, of_run.description.digest
        )
        kept = companion.result(EDITS)
        if rows == ([] if kept is None else kept.data):
            continue
        companion.set_result(EDITS, rows, by=by, version=software())
