"""Tables out of a run: one table a channel, the marks and the gaps.

Every row is a sample that was taken. Nothing is filled in where there was none, so a gap is a
step in ``time_s``; a value that is not there (NaN) is an empty field. A text that a spreadsheet
would run is kept from it (:mod:`calibration.quantities.spreadsheet`).
"""

from __future__ import annotations

import csv
import io
import json
import math
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from calibration.files.durable import new_file
from calibration.quantities.spreadsheet import as_cell
from calibration.quantities.units import UNITS
from recorder.run.parts.errors import RunFileError
from recorder.run.parts.progress import untold
from recorder.run.time.utc import utc_text

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    from recorder.run.parts.gap import Gap
    from recorder.run.parts.progress import Progress
    from recorder.run_file.hdf5.devices import Channel
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["FORMATS", "column_name", "drawbar_power", "export_run"]

FORMATS: Final = ("csv", "parquet")
CHUNK_ROWS: Final = 500_000
LONGEST_STEP_S: Final = 2.0
"""Speeds further apart than this are not joined by a line for the power."""

MARK_COLUMNS: Final = (
    "time_s",
    "utc",
    "u_utc_s",
    "kind",
    "value",
    "note",
    "by",
    "revision",
    "entered_utc",
    "mark_id",
    "extra",
)

GAP_COLUMNS: Final = (
    "device",
    "t_start_s",
    "t_end_s",
    "cause",
    "detail",
    "lost_records",
    "before_record",
)


class _Sink(Protocol):
    def write(self, columns: dict[str, NDArray[np.generic]]) -> None: ...
    def close(self) -> None: ...


def column_name(channel: Channel) -> str:
    """``pull_kN``, ``speed_m_s``, ``latitude_deg`` …: quantity and unit."""
    known = UNITS.get(channel.unit or "1")
    unit = channel.unit.replace("/", "_").replace(" ", "_") if known is None else known.name
    return f"{channel.quantity}_{unit}"


def export_run(
    run: RunFile,
    folder: Path | str,
    *,
    form: str = "csv",
    replace: bool = False,
    progress: Progress | None = None,
) -> list[Path]:
    """Write ``CHANNEL.csv`` for every channel, ``power``, ``marks`` and ``gaps``.

    ``CHANNEL.csv`` has ``time_s``, the value in a column named by quantity and unit, ``counts``
    where a certificate made the value from counts, and ``flags`` (bits of
    ``calibration.quantities.flags``). ``power.csv`` is pull times speed at the samples of pull, as
    :func:`drawbar_power` tells. Returns what was written.

    Raises
    ------
    RunFileError
        The file is damaged, or the format is unknown.
    FileExistsError
        A table is there already and ``replace`` is not set; nothing has been written then.
    OSError
        The folder cannot be written.
    """
    if form not in FORMATS:
        msg = f"format must be one of {', '.join(FORMATS)}, got {form!r}"
        raise RunFileError(msg)
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    report = progress or untold
    pull, speed = _first(run, "pull"), _first(run, "speed")
    with_power = pull is not None and speed is not None and "power" not in run.channels
    names = [f"{c}.{form}" for c in run.channels] + [f"power.{form}"] * with_power
    written = [place / name for name in (*names, "marks.csv", "gaps.csv")]
    _clear(written, replace=replace)
    for i, (channel, path) in enumerate(zip(run.channels.values(), written, strict=False)):
        with new_file(path) as part:
            _export_channel(channel, part, form, partial(_part_of, report, i, len(written)))
    if pull is not None and speed is not None and with_power:
        with new_file(place / f"power.{form}") as part:
            _export_power(run, pull, speed, part, form)
    _export_marks(run, place / "marks.csv")
    _export_gaps(run, place / "gaps.csv")
    report(1.0, "written")
    return written


def _part_of(report: Progress, i: int, count: int, part: float, what: str) -> None:
    report((i + part) / count, what)


def _clear(paths: list[Path], *, replace: bool) -> None:
    for path in paths:
        if path.exists() and not replace:
            msg = "is there already; choose another folder, or allow it to be replaced"
            raise FileExistsError(17, msg, str(path))
    for path in paths:
        path.unlink(missing_ok=True)


def _first(run: RunFile, quantity: str) -> Channel | None:
    held = [c for c in run.channels.values() if c.quantity == quantity and c.measures]
    return next((c for c in held if c.name == quantity), held[0] if held else None)


def _export_channel(channel: Channel, path: Path, form: str, report: Progress) -> None:
    # A wheel's counts stand beside its distance; its speed is not made from them one by one.
    with_counts = bool(channel.certificate) and channel.quantity != "speed"
    sink = None
    try:
        # At least one piece, so that an empty channel has its header.
        for start in range(0, max(channel.n, 1), CHUNK_ROWS):
            stop = start + CHUNK_ROWS
            columns: dict[str, NDArray[np.generic]] = {
                "time_s": channel.time_s(start, stop),
                column_name(channel): channel.stored_values(start, stop),
            }
            if with_counts:
                columns["counts"] = channel.counts(start, stop)
            columns["flags"] = channel.flags(start, stop)
            sink = sink or _sink(path, form, columns)
            sink.write(columns)
            report(min(stop / max(channel.n, 1), 1.0), channel.name)
    finally:
        if sink is not None:
            sink.close()


def _export_power(run: RunFile, pull: Channel, speed: Channel, path: Path, form: str) -> None:
    gaps = run.gaps(speed.device)
    sink = None
    try:
        for start in range(0, max(pull.n, 1), CHUNK_ROWS):
            time_s = pull.time_s(start, start + CHUNK_ROWS)
            low = max(speed.index_at(float(time_s[0])) - 1, 0) if len(time_s) else 0
            high = speed.index_at(float(time_s[-1])) + 1 if len(time_s) else 0
            power, flags = drawbar_power(
                time_s,
                (pull.values(start, start + CHUNK_ROWS), pull.flags(start, start + CHUNK_ROWS)),
                speed.time_s(low, high),
                (speed.values(low, high), speed.flags(low, high)),
                gaps,
            )
            columns: dict[str, NDArray[np.generic]] = {
                "time_s": time_s,
                "power_kW": power,
                "flags": flags,
            }
            sink = sink or _sink(path, form, columns)
            sink.write(columns)
    finally:
        if sink is not None:
            sink.close()


def drawbar_power(
    time_s: NDArray[np.float64],
    pull: tuple[NDArray[np.float64], NDArray[np.uint8]],
    speed_time_s: NDArray[np.float64],
    speed: tuple[NDArray[np.float64], NDArray[np.uint8]],
    gaps: list[Gap],
) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
    """Drawbar power at the samples of pull: (n,) kW and (n,) flags.

    ``pull`` and ``speed`` are (values in kN or m/s, flags). Speed is on the straight line
    between the samples on either side; NaN outside them, over a step longer than 2 s, and
    within the gaps of the wheel.
    """
    if len(speed_time_s) < 2:
        return np.full(len(time_s), np.nan), pull[1]
    after = np.clip(
        np.searchsorted(speed_time_s, time_s, side="left"), 1, len(speed_time_s) - 1
    )
    t0, t1 = speed_time_s[after - 1], speed_time_s[after]
    step_s = t1 - t0
    part = (time_s - t0) / np.where(step_s > 0.0, step_s, 1.0)
    at = speed[0][after - 1] * (1.0 - part) + speed[0][after] * part
    known = (time_s >= speed_time_s[0]) & (time_s <= speed_time_s[-1])
    known &= step_s <= LONGEST_STEP_S
    for gap in gaps:
        known &= ~((time_s > gap.t_start_s) & (time_s < gap.t_end_s))
    power = np.where(known, pull[0] * at, np.nan)
    return power, pull[1] | speed[1][after - 1] | speed[1][after]


class _CsvSink:
    def __init__(self, path: Path, columns: dict[str, NDArray[np.generic]]) -> None:
        from pyarrow import csv as arrow_csv  # slow to import

        self._file = path.open("wb")
        head = io.StringIO()
        csv.writer(head, lineterminator="\n").writerow(map(as_cell, columns))
        self._file.write(head.getvalue().encode("utf-8", "replace"))
        options = arrow_csv.WriteOptions(include_header=False, quoting_style="none")
        self._writer = arrow_csv.CSVWriter(
            self._file, _table(columns).schema, write_options=options
        )

    def write(self, columns: dict[str, NDArray[np.generic]]) -> None:
        self._writer.write_table(_table(columns))

    def close(self) -> None:
        self._writer.close()
        self._file.close()


class _ParquetSink:
    def __init__(self, path: Path, columns: dict[str, NDArray[np.generic]]) -> None:
        from pyarrow import parquet  # slow to import

        self._file = path.open("wb")
        self._writer = parquet.ParquetWriter(self._file, _table(columns).schema)

    def write(self, columns: dict[str, NDArray[np.generic]]) -> None:
        self._writer.write_table(_table(columns))

    def close(self) -> None:
        self._writer.close()
        self._file.close()


def _sink(path: Path, form: str, columns: dict[str, NDArray[np.generic]]) -> _Sink:
    return _CsvSink(path, columns) if form == "csv" else _ParquetSink(path, columns)


def _table(columns: dict[str, NDArray[np.generic]]) -> pa.Table:
    import pyarrow as pa  # slow to import

    # NaN becomes null: an empty field, not the letters "nan".
    return pa.table({k: pa.array(v, from_pandas=True) for k, v in columns.items()})


def _export_marks(run: RunFile, path: Path) -> None:
    marks = run.marks()
    at_s = np.array([mark.t_s for mark in marks], dtype=np.float64)
    utc, u_s = run.utc.utc_ns(at_s), run.utc.u_s(at_s)
    with new_file(path) as part, part.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(MARK_COLUMNS)
        for mark, utc_ns, u in zip(marks, utc.tolist(), u_s.tolist(), strict=True):
            # Where UTC is not known nothing stands: a computer's clock would read as UTC.
            when = (utc_text(utc_ns), f"{u:.3g}") if math.isfinite(u) else ("", "")
            entered = utc_text(mark.entered_utc_ns) if mark.entered_utc_ns else ""
            extra = json.dumps(mark.extra, sort_keys=True) if mark.extra else ""
            words = map(as_cell, (mark.kind, mark.value, mark.note, mark.by))
            row = (*words, mark.revision, entered, as_cell(mark.mark_id), as_cell(extra))
            table.writerow((repr(mark.t_s), *when, *row))


def _export_gaps(run: RunFile, path: Path) -> None:
    with new_file(path) as part, part.open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file)
        table.writerow(GAP_COLUMNS)
        for gap in run.gaps():
            table.writerow(
                (
                    as_cell(gap.device),
                    repr(gap.t_start_s),
                    repr(gap.t_end_s),
                    as_cell(gap.cause),
                    as_cell(gap.detail),
                    gap.lost_records,
                    gap.before_record,
                )
            )
