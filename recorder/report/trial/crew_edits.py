"""The crew's edits of steady stretches: read from a table, kept beside the run, found again."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from recorder.analysis.specification.steady_stretches import Edit
from recorder.machine.version import software
from recorder.run_file.companion.companion import Companion, companion_path

if TYPE_CHECKING:
    from recorder.report.trial.writing import Source
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["EDITS", "edits_for", "keep_edits", "kept_edits", "read_edits"]

EDITS: Final = "stretch edits"
"""Name of the result in the companion."""
_WANTED: Final = "columns action (strike or add), start_s, end_s, reason, and run when several"


def read_edits(path: Path) -> tuple[Edit, ...]:
    """Read a CSV of edits.

    Raises
    ------
    ValueError
        A row cannot be used; names it.
    OSError
        The file cannot be read.
    """
    number, edits = 1, []
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            for row in csv.DictReader(stream):
                number += 1
                edits.append(_edit(row))
    except (csv.Error, UnicodeDecodeError, KeyError, TypeError, ValueError) as error:
        told = f"{error.args[0]} is missing" if isinstance(error, KeyError) else error
        msg = f"{path} row {number}: {told}; wanted: {_WANTED}"
        raise ValueError(msg) from error
    return tuple(edits)


def _edit(row: dict[str, Any], run: str = "") -> Edit:
    edit = Edit(
        action=str(row["action"] or "").strip(),
        t_start_s=float(row["start_s"]),
        t_end_s=float(row["end_s"]),
        reason=str(row["reason"] or "").strip(),
        run=run or str(row.get("run") or "").strip(),
    )
    if edit.action not in {"strike", "add"}:
        msg = f"action {edit.action!r} is neither strike nor add"
        raise ValueError(msg)
    if not math.isfinite(edit.t_start_s) or not edit.t_end_s > edit.t_start_s:
        msg = f"the end {edit.t_end_s} s must come after the start {edit.t_start_s} s"
        raise ValueError(msg)
    if not edit.reason:
        msg = "a reason is wanted"
        raise ValueError(msg)
    return edit


def kept_edits(run: RunFile, name: str) -> tuple[Edit, ...]:
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
            f"{run.companion.path}: stretch edits kept there do not read ({error!r}); give others"
            " with --edits"
        )
        raise ValueError(msg) from error


def edits_for(sources: Sequence[Source], given: tuple[Edit, ...] | None) -> tuple[Edit, ...]:
    """The edits of a report, each with its run's name: those given, or those kept."""
    if given is None:
        return tuple(e for s in sources for e in s.edits)
    if len(sources) > 1:
        return given
    return tuple(
        Edit(
            action=e.action,
            t_start_s=e.t_start_s,
            t_end_s=e.t_end_s,
            reason=e.reason,
            run=e.run or sources[0].name,
        )
        for e in given
    )


def keep_edits(sources: Sequence[Source], edits: Sequence[Edit], *, by: str) -> None:
    """Keep each run's edits in its companion, so that the next report finds them.

    Raises
    ------
    CompanionError, OSError
        The companion cannot be written.
    """
    for source in sources:
        rows = [
            {"action": e.action, "start_s": e.t_start_s, "end_s": e.t_end_s, "reason": e.reason}
            for e in edits
            if e.run == source.name
        ]
        companion = Companion(companion_path(source.path), source.run_id)
        kept = companion.result(EDITS)
        if rows == ([] if kept is None else kept.data):
            continue
        companion.set_result(EDITS, rows, by=by, version=software())
