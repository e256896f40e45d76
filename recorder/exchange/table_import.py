"""Runs recorded elsewhere or read off old paper rolls: a table becomes a run file.

Columns are named by quantity and unit: ``time_s``, ``pull_kN`` or ``pull_lbf``, ``speed_km_h``,
``distance_mi``, ``grade_pct``, ``curve_radius_m`` …; a column named otherwise is mapped with
``quantity=NAME[:unit]``. Steps may be uneven. A table without time but with distance and speed
(a roll driven by the wheels) gets its time by integration. Values keep their own stated
standard uncertainty, and go down the same road as any run.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.units import UnitError, convert, factor, split_column
from recorder.exchange.table_text import TableError, number_in, rows_of
from recorder.run.parts.header import ChannelHeader, DeviceHeader, RunHeader
from recorder.run.parts.quantities import RUN_UNITS, run_unit
from recorder.run_file.seal.write_whole import DeviceData, write_run

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from recorder.marks.mark import Mark

__all__ = ["ImportedTable", "TableError", "import_table", "read_table"]

QUANTITIES: Final = (
    "time", "pull", "speed", "distance", "acceleration", "power", "elevation", "temperature",
    "pressure", "throttle", "notch",
)  # fmt: skip
"""What a column may be, beside grade and curvature."""
RATIOS: Final = {unit: factor(unit) for unit in ("pct", "percent", "permille")} | {
    "fraction": 1.0
}
TICK_HZ: Final = 1e6
FOREIGN: Final = 30 * 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportedTable:
    """Columns in SI, by quantity, all of one length; NaN where a cell was empty."""

    time_s: NDArray[np.float64]
    columns: Mapping[str, NDArray[np.float64]]
    warnings: tuple[str, ...]
    start_s: float = 0.0
    """The table's own time of its first row, where the run's time is 0."""


@dataclass(frozen=True, slots=True)
class _Column:
    index: int
    quantity: str
    unit: str
    name: str


def read_table(path: Path, mapping: Sequence[str] = ()) -> ImportedTable:
    """Read a table.

    Parameters
    ----------
    mapping : ``quantity=NAME[:unit]`` each, for columns not named by quantity and unit.

    Raises
    ------
    TableError
        No usable column, a cell that is no number, time that runs backward, nothing in it.
    OSError
        The file cannot be read.
    """
    rows, header_row = rows_of(path)
    names = [cell.strip() for cell in rows[0][1]]
    columns, warnings = _columns(path, names, mapping)
    values = _values(path, rows[1:], columns, len(names))
    if not len(values["_row"]):
        msg = f"{path}: no rows below the header in row {header_row}; a run needs at least one"
        raise TableError(msg)
    numbers = values.pop("_row")
    time_s = values.pop("time", None)
    if time_s is None:
        time_s = _time_by_distance(path, values)
    _check_time(path, time_s, numbers)
    if not set(values) & {"pull", "speed", "distance"}:
        msg = (
            f"{path}: none of the columns is a pull, a speed or a distance; found:"
            f" {', '.join(names)}; name them like pull_kN, or map them with --column"
        )
        raise TableError(msg)
    return ImportedTable(
        time_s=time_s - time_s[0],
        columns=values,
        warnings=tuple(warnings),
        start_s=float(time_s[0]),
    )


def import_table(
    table: ImportedTable,
    out: Path,
    *,
    software: str,
    trip_sheet: str = "",
    marks: Sequence[Mark] = (),
    started_utc: datetime | None = None,
    uncertainties: Mapping[str, tuple[float | None, float | None]] | None = None,
    source: str = "table",
) -> None:
    """Write the run file.

    ``uncertainties`` gives, by quantity, the standard uncertainty in the channel's unit and as
    a fraction of the value; either may be ``None``.

    Raises
    ------
    FileExistsError
        The run file is there already.
    TableError
        An uncertainty is stated for a quantity the table does not have.
    """
    stated = dict(uncertainties or {})
    if unknown := set(stated) - set(table.columns):
        held = ", ".join(sorted(table.columns))
        msg = f"uncertainty stated for {', '.join(sorted(unknown))}; the table has {held}"
        raise TableError(msg)
    device = DeviceHeader(
        name="table",
        driver="imported-table",
        port=source,
        dtype=[["tick", "<u8"]],
        tick_hz=TICK_HZ,
        channels=tuple(_channel(n, *stated.get(n, (None, None))) for n in table.columns),
    )
    when = started_utc or datetime(1970, 1, 1, tzinfo=UTC)
    header = RunHeader(
        run_id=uuid.uuid4().hex,
        started_utc_ns=round(when.timestamp() * 1e9),
        started_monotonic_ns=0,
        boot_id="",
        software=software,
        car_sheet="",
        trip_sheet=trip_sheet,
        certificates={},
        devices=(device,),
        origin="imported",
    )
    data = {"table": DeviceData(time_s=table.time_s, values=table.columns)}
    write_run(out, header, data, marks=marks)


def _channel(name: str, u: float | None, u_rel: float | None) -> ChannelHeader:
    return ChannelHeader(
        name=name,
        quantity=name,
        unit=run_unit(name),
        field="",
        standard_uncertainty=u,
        relative_uncertainty=u_rel,
    )


def _columns(
    path: Path, names: Sequence[str], mapping: Sequence[str]
) -> tuple[list[_Column], list[str]]:
    mapped = dict(_mapped(path, names, text) for text in mapping)
    found: dict[str, _Column] = {}
    warnings = []
    for index, name in enumerate(names):
        quantity, unit = mapped.get(index, split_column(name))
        if index not in mapped:
            quantity, unit = _ratio_or_radius(name, quantity, unit)
        column = _Column(index, quantity, unit, name)
        why = _unusable(column)
        if why and index in mapped:
            msg = f"{path}: column {name!r}: {why}"
            raise TableError(msg)
        if why:
            warnings.append(f"{path}: column {name!r} is left out: {why}")
        elif quantity in found:
            other = found[quantity].name
            msg = f"{path}: columns {other!r} and {name!r} are both {quantity}; keep one"
            raise TableError(msg)
        else:
            found[quantity] = column
    return list(found.values()), warnings


def _mapped(path: Path, names: Sequence[str], text: str) -> tuple[int, tuple[str, str]]:
    quantity, equals, rest = text.partition("=")
    name, _, unit = rest.rpartition(":") if ":" in rest else (rest, "", "")
    if rest in names:
        name, unit = rest, ""
    if not equals or name not in names:
        msg = (
            f"--column {text!r}: give quantity=NAME[:unit] with NAME one of the columns of"
            f" {path}: {', '.join(names)}"
        )
        raise TableError(msg)
    if not unit:
        unit = split_column(name)[1] or RUN_UNITS.get(quantity.strip(), "")
    return names.index(name), (quantity.strip(), unit.strip())


def _ratio_or_radius(name: str, quantity: str, unit: str) -> tuple[str, str]:
    plain = name.strip()
    for ending in RATIOS:
        if plain == f"grade_{ending}":
            return "grade", ending
    if plain.lower() == "notch":
        return "notch", "1"  # a number, of no unit
    if quantity in {"curve_radius", "radius"}:
        return "curvature", unit
    return quantity, unit


def _unusable(column: _Column) -> str:
    if column.quantity == "grade":
        allowed = ", ".join(RATIOS)
        return "" if column.unit in RATIOS else f"a grade is in one of {allowed}"
    if column.quantity == "curvature":
        return _wrong_unit(column.unit, "m")
    if column.quantity not in QUANTITIES:
        known = ", ".join([*QUANTITIES, "grade", "curvature (by radius)"])
        return f"quantity {column.quantity!r} is not one of {known}"
    if not column.unit:
        target = RUN_UNITS[column.quantity]
        return f"no unit in its name; write for example {column.quantity}_{target}"
    return _wrong_unit(column.unit, RUN_UNITS[column.quantity])


def _wrong_unit(unit: str, target: str) -> str:
    try:
        convert(1.0, unit, target)
    except UnitError as error:
        return str(error)
    return ""


def _values(
    path: Path,
    rows: Iterable[tuple[int, list[str]]],
    columns: Sequence[_Column],
    width: int,
) -> dict[str, NDArray[np.float64]]:
    held: dict[str, list[float]] = {c.quantity: [] for c in columns}
    numbers: list[float] = []
    for number, cells in rows:
        if len(cells) > width:
            msg = f"{path} row {number}: {len(cells)} cells, the header has {width}"
            raise TableError(msg)
        numbers.append(float(number))
        for column in columns:
            cell = cells[column.index] if column.index < len(cells) else ""
            held[column.quantity].append(number_in(path, number, column.name, cell))
    out = {c.quantity: _to_si(c, np.array(held[c.quantity], dtype=np.float64)) for c in columns}
    out["_row"] = np.array(numbers)
    return out


def _to_si(column: _Column, values: NDArray[np.float64]) -> NDArray[np.float64]:
    if column.quantity == "grade":
        return values * RATIOS[column.unit]
    if column.quantity == "curvature":
        radius = convert(values, column.unit, "m")
        with np.errstate(divide="ignore"):
            bend = np.where((radius == 0.0) | np.isnan(radius), 0.0, 1.0 / radius)
        return np.asarray(bend, dtype=np.float64)
    return convert(values, column.unit, RUN_UNITS[column.quantity])


def _time_by_distance(
    path: Path, values: Mapping[str, NDArray[np.float64]]
) -> NDArray[np.float64]:
    """Time from distance and speed, trapezium rule on 1/v; for rolls that the wheels drove."""
    if "distance" not in values or "speed" not in values:
        msg = f"{path}: no time column, and no distance with speed to make time from"
        raise TableError(msg)
    distance, speed = values["distance"], np.abs(values["speed"])
    if not (np.isfinite(distance).all() and np.isfinite(speed).all() and (speed > 0.05).all()):
        msg = (
            f"{path}: time is made from distance and speed, which must be there in every row"
            " with a speed above 0.05 m/s; add a time column for a run that stands"
        )
        raise TableError(msg)
    step = np.abs(np.diff(distance)) * 0.5 * (1.0 / speed[1:] + 1.0 / speed[:-1])
    return np.concatenate(([0.0], np.cumsum(step)))


def _check_time(path: Path, time_s: NDArray[np.float64], numbers: NDArray[np.float64]) -> None:
    bad = np.flatnonzero(~np.isfinite(time_s))
    if len(bad):
        msg = f"{path} row {numbers[bad[0]]:.0f}: time is empty; every row needs one"
        raise TableError(msg)
    back = np.flatnonzero(np.diff(time_s) <= 0.0)
    if len(back):
        k = int(back[0]) + 1
        msg = (
            f"{path} row {numbers[k]:.0f}: time {time_s[k]:g} s does not follow"
            f" {time_s[k - 1]:g} s; rows must be in order of time, each instant once"
        )
        raise TableError(msg)
    if time_s[-1] - time_s[0] > FOREIGN:
        msg = f"{path}: the rows span {time_s[-1] - time_s[0]:.0f} s, more than 30 days"
        raise TableError(msg)
