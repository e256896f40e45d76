"""What a bench session has taken, as readings to evaluate and as a table to keep."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence

import numpy as np

from calibration.bench.bench_reading import TakenReading
from calibration.bench.plan import PlanStep
from calibration.quantities.spreadsheet import as_cell, as_remark
from calibration.readings.readings import DIRECTIONS, Readings, ReadingsError
from calibration.readings.readings_check import check_readings

__all__ = ["csv_of", "readings_of"]


def readings_of(
    taken: Sequence[TakenReading], plan: Sequence[PlanStep], *, source: str
) -> Readings:
    """Readings in the order taken, those replaced by a repeat marked as superseded.

    Raises
    ------
    ReadingsError
        Nothing taken yet, or readings no calibration can be made from.
    """
    if not taken:
        msg = f"{source}: no reading has been taken yet"
        raise ReadingsError(msg)
    steps = [plan[reading.step - 1] for reading in taken]
    names = tuple(dict.fromkeys(step.series for step in steps))
    columns = {"series", "position_deg", "direction", "time", "temperature"}
    if _doubts_kept(taken):
        columns.add("doubts")
    temperatures = [math.nan if r.temperature_C is None else r.temperature_C for r in taken]
    made = Readings(
        source=source,
        force_unit="kN",
        reading_unit="counts",
        applied=np.array([r.applied_kN for r in taken], dtype=np.float64),
        reading=np.array([r.mean for r in taken], dtype=np.float64),
        series=np.array([names.index(step.series) for step in steps], dtype=np.int64),
        series_names=names,
        position_deg=np.array([step.position_deg for step in steps], dtype=np.float64),
        direction=np.array([DIRECTIONS[step.direction] for step in steps], dtype=np.int8),
        temperature_C=np.array(temperatures, dtype=np.float64),
        time_s=np.array([r.time_s for r in taken], dtype=np.float64),
        kind=tuple(step.kind for step in steps),
        row=np.arange(1, len(taken) + 1),
        superseded=np.zeros(len(taken), dtype=np.bool_),
        doubts=tuple(r.doubts for r in taken),
        accepted_because=tuple(r.accepted_because for r in taken),
        # The converter's own step: a mean of counts is finer than the indication.
        resolution=1.0,
        columns=frozenset(columns),
        # One reading by eye shows nothing of how the indication moves.
        sd=np.array([r.sd if r.n > 1 else math.nan for r in taken], dtype=np.float64),
    )
    return check_readings(
        made, repeat_reasons=[r.reason for r in taken], steps=[str(r.step) for r in taken]
    )


def csv_of(
    taken: Sequence[TakenReading],
    plan: Sequence[PlanStep],
    events: Sequence[tuple[str, str, str]],
) -> str:
    """The table ``bench fit`` reads, with what else was known of each reading.

    ``events`` (utc, kind, text) stand above it as remarks: skips, repeats, refusals, notes.
    """
    text = io.StringIO()
    for utc, kind, words in events:
        text.write(f"# {utc} {kind}: {as_remark(words)}\n")
    table = csv.writer(text, lineterminator="\n")
    kept = _doubts_kept(taken)
    table.writerow(
        ("series", "position_deg", "direction", "applied_kN", "reading_counts",
         "temperature_C", "time_s", "kind", "step", "repeat_reason", "sd_counts",
         "reference_sd_kN", "stable", "force_by", "lowest", "highest", "waited_s",
         *(("doubts", "accepted_because") if kept else ()))
    )  # fmt: skip
    for r in taken:
        step = plan[r.step - 1]
        temperature, reference_sd = _cell(r.temperature_C), _cell(r.applied_sd_kN)
        table.writerow(
            (step.series, step.position_deg, step.direction, r.applied_kN, r.mean,
             temperature, round(r.time_s, 3), step.kind, r.step, as_cell(r.reason),
             r.sd if r.n > 1 else "",
             reference_sd, int(r.stable), r.applied_by, _cell(r.low), _cell(r.high),
             _cell(r.waited_s),
             *map(as_cell, ("; ".join(r.doubts), r.accepted_because) if kept else ()))
        )  # fmt: skip
    return text.getvalue()


def _doubts_kept(taken: Sequence[TakenReading]) -> bool:
    return all(r.doubts_kept for r in taken)


def _cell(value: float | None) -> float | str:
    return "" if value is None else value
