"""Read bench readings from a CSV file, and refuse in one line what cannot be trusted.

Columns: ``series, position_deg, direction (up|down), applied_<unit>, reading, temperature_C,
time_s``, ``kind`` (step, zero, preload, creep: only what is called so is a hold to see creep),
``repeat_reason`` (why a step was taken again: the reading before it is then not used), ``step``
(which one of the plan, so that a repeat is told whatever its force), ``doubts`` (what stood
against a reading), ``accepted_because`` and ``sd_<unit>`` (how the indication moved, in the unit
of the reading). Only the applied force and the reading are
obligatory. The unit of force is in the column's name (``applied_kN``, ``applied_lbf``, …);
``reading_<unit>`` may say the unit of the reading. Commas, semicolons or tabs separate; numbers
have a decimal point. Lines that begin with ``#`` are remarks.
"""

from __future__ import annotations

import contextlib
import csv
import io
import itertools
import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.quantities.bounded_text import read_bounded_text
from calibration.quantities.spreadsheet import from_cell
from calibration.quantities.units import UNITS, UnitError, convert, find_unit, units_of
from calibration.readings.reading_doubts import Doubt
from calibration.readings.readings import DIRECTIONS, KINDS, Readings, ReadingsError
from calibration.readings.readings_check import check_readings

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["parse_readings", "read_readings"]

MAX_BYTES: Final = 64 * 2**20
MAX_READINGS: Final = 200_000
MAX_SERIES: Final = 200
"""A calibration has some ten; more are names of something else."""
LARGEST: Final = 1e15
"""Beyond, a number is a slip of the pen and would not survive the arithmetic."""
RAILS: Final = frozenset((8388607.0, -8388608.0, 2147483647.0, -2147483648.0))
"""Full scale of 24- and 32-bit converters."""
INDICATED: Final = (
    "counts", "voltage_ratio", "voltage", "current", "ratio", "pressure", "length",
)  # fmt: skip
"""Quantities that indicators of cells, transmitters and displacement transducers read in."""
_DECIMAL_COMMA: Final = re.compile(r"[+-]?\d+,\d+")
_NUMBER_UNIT: Final = re.compile(r"([+-]?[\d.]+(?:[eE][+-]?\d+)?)\s*([A-Za-z]\w*)")
_OTHER: Final = {
    "series": "series",
    "position_deg": "position_deg",
    "direction": "direction",
    "temperature": "temperature",
    "time": "time",
    "kind": "kind",
    "repeat_reason": "repeat_reason",
    "step": "step",
    "doubts": "doubts",
    "accepted_because": "accepted_because",
}


def read_readings(path: str | Path) -> Readings:
    """Read a CSV file of bench readings.

    Raises
    ------
    ReadingsError
        Anything that cannot be trusted, in one line with file and row.
    OSError
        The file cannot be read.
    """
    text = read_bounded_text(
        Path(path),
        largest=MAX_BYTES,
        refused="not a table of bench readings; save it as CSV in UTF-8",
        error=ReadingsError,
    )
    return parse_readings(text, source=str(path))


def parse_readings(text: str, *, source: str = "readings") -> Readings:
    """Make readings from CSV text; raises ``ReadingsError`` as ``read_readings``."""
    return _Parser(source).parse(text)


@dataclass(slots=True)
class _CsvColumn:
    index: int
    name: str
    unit: str


class _Parser:
    def __init__(self, source: str) -> None:
        self.source = source

    def fail(self, row: int, message: str) -> ReadingsError:
        return ReadingsError(f"{self.source} row {row}: {message}")

    def parse(self, text: str) -> Readings:
        if "\0" in text:
            row = text[: text.index("\0")].count("\n") + 1
            raise self.fail(row, "holds a zero byte: not a text file")
        rows = self.rows(text)
        try:
            header_row, header = next(rows)
        except StopIteration:
            raise self.fail(1, "empty: no header") from None
        columns = self.header(header_row, header)
        records: list[tuple[int, list[str]]] = []
        for row, cells in rows:
            self.check_width(row, cells, len(header))
            records.append((row, cells))
            if len(records) > MAX_READINGS:
                raise self.fail(row, f"more than {MAX_READINGS} readings")
        if not records:
            raise self.fail(header_row + 1, "no readings below the header")
        return self.build(columns, records)

    def rows(self, text: str) -> Iterator[tuple[int, list[str]]]:
        first = next((ln for ln in text.splitlines() if ln.strip() and ln[0] != "#"), "")
        delimiter = max(",;\t", key=first.count) if first else ","
        # Remarks are free text: quotes in them are not the table's.
        lines = ("\n" if ln.startswith("#") else ln for ln in io.StringIO(text, newline=""))
        reader = csv.reader(lines, delimiter=delimiter, strict=True)
        try:
            for cells in reader:
                stripped = [from_cell(cell.strip()) for cell in cells]
                if any(stripped) and not stripped[0].startswith("#"):
                    yield reader.line_num, stripped
        except csv.Error as error:
            raise self.fail(reader.line_num, f"not CSV ({error})") from error

    def header(self, row: int, names: list[str]) -> dict[str, _CsvColumn]:
        columns: dict[str, _CsvColumn] = {}
        for index, name in enumerate(names):
            column = self.column(row, index, name)
            if column is None:
                continue
            if column.name in columns:
                both = f"{names[columns[column.name].index]!r} and {name!r}"
                raise self.fail(row, f"two columns give the {column.name}: {both}; keep one")
            columns[column.name] = column
        if "applied" not in columns:
            known = ", ".join(f"applied_{unit}" for unit in units_of("force"))
            msg = f"no column for the applied force in {names}; needed is one of {known}"
            raise self.fail(row, msg)
        if "reading" not in columns:
            raise self.fail(row, f"no column 'reading'; columns are {names}")
        return columns

    def column(self, row: int, index: int, name: str) -> _CsvColumn | None:
        lower = name.lower()
        if lower == "applied":
            msg = "column 'applied' does not say its unit; name it applied_kN, applied_lbf, …"
            raise self.fail(row, msg)
        if lower.startswith("applied_"):
            return _CsvColumn(index, "applied", self.unit(row, name, name[8:], "force"))
        if lower == "reading":
            return _CsvColumn(index, "reading", "reading")
        if lower.startswith("reading_") and lower != "reading_sd":
            return _CsvColumn(index, "reading", self.reading_unit(row, name, name[8:]))
        if lower == "sd" or lower.startswith("sd_"):
            return _CsvColumn(index, "sd", "")
        if lower.startswith("temperature_"):
            return _CsvColumn(
                index, "temperature", self.unit(row, name, name[12:], "temperature")
            )
        if lower.startswith("time_"):
            return _CsvColumn(index, "time", self.unit(row, name, name[5:], "time"))
        return _CsvColumn(index, _OTHER[lower], "") if lower in _OTHER else None

    def unit(self, row: int, name: str, unit: str, quantity: str) -> str:
        try:
            return find_unit(unit, quantity=quantity).name
        except UnitError as error:
            raise self.fail(row, f"column {name!r}: {error}") from error

    def reading_unit(self, row: int, name: str, unit: str) -> str:
        """What an indicator reads in: never a force, which is what the readings are to become."""
        for quantity in INDICATED:
            with contextlib.suppress(UnitError):
                return find_unit(unit, quantity=quantity).name
        known = ", ".join(name for quantity in INDICATED for name in units_of(quantity))
        msg = (
            f"column {name!r}: {unit!r} is no unit that a cell or its transducer is read in;"
            f" known: {known}; name it reading where it is another"
        )
        raise self.fail(row, msg)

    def check_width(self, row: int, cells: list[str], width: int) -> None:
        if len(cells) == width or (len(cells) > width and not any(cells[width:])):
            return
        if len(cells) > width:
            msg = (
                f"{len(cells)} fields where the header has {width}: a decimal comma?"
                " Numbers need a decimal point"
            )
        else:
            msg = f"{len(cells)} fields where the header has {width}"
        raise self.fail(row, msg)

    def number(self, row: int, column: _CsvColumn, text: str) -> float:
        try:
            # Python reads 1_000 as a number; a table does not mean it.
            value = float(text) if "_" not in text else math.nan
        except ValueError:
            raise self.fail(row, self.why(column.name, text)) from None
        if not math.isfinite(value) or "_" in text:
            raise self.fail(row, f"{column.name} is {text!r}: a finite number is needed")
        if abs(value) > LARGEST:
            raise self.fail(row, f"{column.name} is {text}: beyond ±{LARGEST:g}")
        return value

    def why(self, name: str, text: str) -> str:
        if not text:
            return f"{name} is empty: a number is needed"
        if _DECIMAL_COMMA.fullmatch(text):
            return f"{name} is {text!r}: a decimal comma; numbers need a decimal point"
        match = _NUMBER_UNIT.fullmatch(text)
        if match and match[2] in UNITS:
            return (
                f"{name} is {text!r}: units are mixed into the numbers; the unit stands in the"
                " column's name and is one for the whole file"
            )
        return f"{name} is {text!r}: not a number"

    def optional(
        self,
        columns: dict[str, _CsvColumn],
        name: str,
        to: str,
        records: list[tuple[int, list[str]]],
    ) -> NDArray[np.float64]:
        column = columns.get(name)
        if column is None:
            return np.full(len(records), np.nan)
        values = [
            self.number(row, column, cells[column.index]) if cells[column.index] else math.nan
            for row, cells in records
        ]
        return convert(values, column.unit, to) if column.unit else np.array(values)

    def build(
        self, columns: dict[str, _CsvColumn], records: list[tuple[int, list[str]]]
    ) -> Readings:
        if "series" in columns:
            self.check_copies(records)
        applied = [
            self.number(r, columns["applied"], c[columns["applied"].index]) for r, c in records
        ]
        reading = [self.reading(r, columns["reading"], c) for r, c in records]
        names, series = self.series(columns, records)
        texts = [c[columns["reading"].index] for _, c in records]
        result = Readings(
            source=self.source,
            force_unit=columns["applied"].unit,
            reading_unit=columns["reading"].unit,
            applied=np.array(applied),
            reading=np.array(reading),
            series=np.array(series, dtype=np.int64),
            series_names=names,
            position_deg=self.optional(columns, "position_deg", "deg", records),
            direction=self.directions(columns, records),
            temperature_C=self.optional(columns, "temperature", "C", records),
            time_s=self.optional(columns, "time", "s", records),
            kind=self.kinds(columns, records, applied),
            row=np.array([row for row, _ in records], dtype=np.int64),
            superseded=np.zeros(len(records), dtype=np.bool_),
            resolution=_resolution(texts),
            columns=frozenset(columns),
            sd=self.sd(columns, records),
            doubts=self.doubts(columns, records),
            accepted_because=tuple(self.texts(columns, "accepted_because", records)),
        )
        reasons = self.texts(columns, "repeat_reason", records)
        steps = self.texts(columns, "step", records)
        return check_readings(result, repeat_reasons=reasons, steps=steps)

    def check_copies(self, records: list[tuple[int, list[str]]]) -> None:
        """A row that stands twice would weigh twice."""
        for (before, one), (row, other) in itertools.pairwise(records):
            if one == other:
                raise self.fail(
                    row, f"the same as row {before} in every column; strike one out"
                )

    def reading(self, row: int, column: _CsvColumn, cells: list[str]) -> float:
        value = self.number(row, column, cells[column.index])
        if value in RAILS and column.unit in ("reading", "counts"):
            msg = f"reading is {value:.0f}: the converter stood at its rail (saturated)"
            raise self.fail(row, msg)
        return value

    def sd(
        self, columns: dict[str, _CsvColumn], records: list[tuple[int, list[str]]]
    ) -> NDArray[np.float64]:
        if "sd" not in columns:
            return np.empty(0)
        values = self.optional(columns, "sd", "", records)
        bad = np.flatnonzero(values < 0.0)
        if len(bad):
            raise self.fail(
                records[bad[0]][0], f"sd is {values[bad[0]]:g}: 0 or more is needed"
            )
        return values

    def texts(
        self, columns: dict[str, _CsvColumn], name: str, records: list[tuple[int, list[str]]]
    ) -> list[str]:
        column = columns.get(name)
        return [""] * len(records) if column is None else [c[column.index] for _, c in records]

    def doubts(
        self, columns: dict[str, _CsvColumn], records: list[tuple[int, list[str]]]
    ) -> tuple[tuple[Doubt, ...], ...]:
        texts = self.texts(columns, "doubts", records)
        found = []
        for (row, _), text in zip(records, texts, strict=True):
            words = [word.strip() for word in text.split(";") if word.strip()]
            unknown = [word for word in words if word not in list(Doubt)]
            if unknown:
                msg = f"doubts has {unknown[0]!r}; known: {', '.join(Doubt)}"
                raise self.fail(row, msg)
            found.append(tuple(Doubt(word) for word in words))
        return tuple(found)

    def series(
        self, columns: dict[str, _CsvColumn], records: list[tuple[int, list[str]]]
    ) -> tuple[tuple[str, ...], list[int]]:
        if "series" not in columns:
            return (), [0] * len(records)
        texts = self.texts(columns, "series", records)
        for (row, _), text in zip(records, texts, strict=True):
            if not text:
                raise self.fail(row, "series is empty: name the series the reading belongs to")
        names = tuple(dict.fromkeys(texts))
        if len(names) > MAX_SERIES:
            row = records[texts.index(names[MAX_SERIES])][0]
            raise self.fail(row, f"more than {MAX_SERIES} series: is 'series' another column?")
        index = {name: i for i, name in enumerate(names)}
        return names, [index[text] for text in texts]

    def directions(
        self, columns: dict[str, _CsvColumn], records: list[tuple[int, list[str]]]
    ) -> NDArray[np.int8]:
        texts = self.texts(columns, "direction", records)
        result = np.zeros(len(texts), dtype=np.int8)
        for i, ((row, _), text) in enumerate(zip(records, texts, strict=True)):
            if text.lower() not in DIRECTIONS:
                raise self.fail(row, f"direction is {text!r}: 'up' or 'down' is needed")
            result[i] = DIRECTIONS[text.lower()]
        return result

    def kinds(
        self,
        columns: dict[str, _CsvColumn],
        records: list[tuple[int, list[str]]],
        applied: list[float],
    ) -> tuple[str, ...]:
        texts = self.texts(columns, "kind", records)
        result = []
        for (row, _), text, force in zip(records, texts, applied, strict=True):
            kind = text.lower() or ("zero" if force == 0.0 else "step")
            if kind not in KINDS:
                raise self.fail(row, f"kind is {text!r}; known: {', '.join(KINDS)}")
            result.append("zero" if kind == "step" and force == 0.0 else kind)
        return tuple(result)


def _resolution(texts: list[str]) -> float | None:
    """Smallest step the printed readings show, or None when they look computed.

    Readings printed to more than eight significant decimals are means or simulated: their last
    digit says nothing about the instrument.
    """
    if any("e" in text.lower() for text in texts):
        return None
    decimals = max(len(text.partition(".")[2].rstrip("0")) for text in texts)
    digits = max(len(text.replace(".", "").lstrip("+-0")) for text in texts)
    if decimals > 8 or digits > 10:
        return None
    steps = np.array([round(float(text) * 10**decimals) for text in texts], dtype=np.int64)
    common = int(np.gcd.reduce(np.diff(np.unique(steps)))) if len(steps) > 1 else 0
    # A coarse common step needs enough readings to be more than chance.
    step = common if common in (1, 2, 5, 10, 20, 50) and len(steps) >= 10 else 1
    return float(step * 10.0**-decimals)
