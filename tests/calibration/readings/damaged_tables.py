"""Damaged tables of bench readings, each with what must come of it.

The sound table is a whole programme to 500 kN at 8000 counts a kN. Its rows: X1 2 to 13 (zero, ten
forces, zero), X2 14 to 25, X3 26 to 46 (ten up, nine down, with zeros), X4 47 to 67.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tests.calibration.bench_tables import iso_csv

__all__ = ["DAMAGES", "HARMLESS", "Damage", "sound"]

Rows = list[list[str]]
SERIES, POSITION, WAY, FORCE, READING, CELSIUS, TIME = range(7)
KLBF_kN = 4.4482216152605
PSI_kPa = 6.894757293168


@dataclass(frozen=True)
class Damage:
    """One damaged table."""

    name: str
    data: bytes
    row: int | None
    """The row that the refusal must name; None: the table as a whole is at fault."""
    words: str
    """Of the refusal, or of the caution."""
    certificate: bool = False
    """True: a certificate is due, with a caution that has the words."""


def sound() -> Rows:
    text = iso_csv(noise=60.0, bend=0.3, loop=0.001, rotation=(0.0, 4e-4, -3e-4), seed=4)
    return [line.split(",") for line in text.replace("X5", "X4").strip().splitlines()]


def text_of(rows: Rows, *, mark: str = ",") -> str:
    return "\n".join(mark.join(row) for row in rows) + "\n"


def _made(change: Callable[[Rows], object]) -> bytes:
    rows = sound()
    change(rows)
    return text_of(rows).encode()


def _set(row: int, column: int, value: str) -> bytes:
    def change(rows: Rows) -> None:
        rows[row - 1][column] = value

    return _made(change)


def _scaled(rows: Rows, which: range, column: int, factor: float, zero: float = 0.0) -> None:
    for row in which:
        value = float(rows[row - 1][column])
        rows[row - 1][column] = f"{zero + (value - zero) * factor:.8g}"


def _scale(which: range, column: int, factor: float, zero: float = 0.0) -> bytes:
    return _made(lambda rows: _scaled(rows, which, column, factor, zero))


def _swap(a: int, b: int, column: int = READING) -> bytes:
    def change(rows: Rows) -> None:
        one, other = rows[a - 1], rows[b - 1]
        one[column], other[column] = other[column], one[column]

    return _made(change)


def _without(column: int) -> bytes:
    return _made(lambda rows: [row.pop(column) for row in rows])


def _kept(keep: Callable[[list[str]], bool]) -> bytes:
    rows = sound()
    return text_of([rows[0], *(row for row in rows[1:] if keep(row))]).encode()


def _pressure(change: Callable[[Rows], object]) -> bytes:
    """The same programme of a capsule, 25 kPa a kN."""
    rows = sound()
    rows[0][READING] = "reading_kPa"
    for row in rows[1:]:
        row[READING] = f"{(float(row[READING]) - 1000.0) / 320.0:.2f}"
    change(rows)
    return text_of(rows).encode()


def _shuffled(rows: Rows) -> None:
    order = np.random.default_rng(3).permutation(len(rows) - 1)
    values = [rows[1 + i][READING] for i in order]
    for row, value in zip(rows[1:], values, strict=True):
        row[READING] = value


def _repeat(row: int, force: str) -> bytes:
    rows = sound()
    table = [[*r, ""] for r in rows]
    table[0][-1] = "repeat_reason"
    table[row - 1][FORCE], table[row - 1][-1] = force, "slipped"
    return text_of(table).encode()


def _kind(row: int, kind: str) -> bytes:
    table = [[*r, ""] for r in sound()]
    table[0][-1], table[row - 1][-1] = "kind", kind
    return text_of(table).encode()


def _hold_without_kind(rows: Rows) -> None:
    held = list(rows[11])
    held[TIME] = f"{float(held[TIME]) + 10:g}"
    rows.insert(12, held)


def _two_off(rows: Rows) -> None:
    _scaled(rows, range(5, 6), READING, 1.05)
    _scaled(rows, range(33, 34), READING, 0.97)


def _two_cells(rows: Rows) -> None:
    """Two cells, one table, nothing that tells them apart."""
    _scaled(rows, range(26, 68), READING, 1.1, 1000.0)
    for row in rows:
        del row[SERIES : WAY + 1]


SOUND = text_of(sound())
LINES = SOUND.splitlines()
HEADER = LINES[0]


def _lines(*changed: tuple[int, str]) -> bytes:
    lines = list(LINES)
    for row, text in changed:
        lines[row - 1] = text
    return ("\n".join(lines) + "\n").encode()


DAMAGES = (
    # ---- numbers that are none
    Damage("decimal comma, bare", _set(7, FORCE, "250,5"), 7, "decimal comma"),
    Damage("decimal comma, quoted", _set(7, FORCE, '"250,5"'), 7, "decimal comma"),
    Damage("decimal comma, semicolons",
           text_of(sound(), mark=";").replace("250;", "250,0;", 1).encode(), 7, "decimal comma"),
    Damage("thousands by commas", _set(9, READING, "2,822,110"), 9, "fields"),
    Damage("thousands by spaces", _set(9, READING, "2 822 110"), 9, "not a number"),
    Damage("thousands by points", _set(9, READING, "2.822.110"), 9, "not a number"),
    Damage("thousands by underlines", _set(9, READING, "2_822_110"), 9, "finite"),
    Damage("not a number", _set(12, READING, "NaN"), 12, "finite"),
    Damage("infinite force", _set(12, FORCE, "inf"), 12, "finite"),
    Damage("empty reading", _set(30, READING, ""), 30, "reading is empty"),
    Damage("empty force", _set(30, FORCE, ""), 30, "applied is empty"),
    Damage("fault of a spreadsheet", _set(30, READING, "#REF!"), 30, "not a number"),
    Damage("a date for a force", _set(30, FORCE, "2026-05-04"), 30, "not a number"),
    Damage("per cent of capacity", _set(30, FORCE, "40%"), 30, "not a number"),
    Damage("hexadecimal", _set(30, READING, "0x1F4"), 30, "not a number"),
    Damage("huge number", _set(30, READING, "1e300"), 30, "beyond"),
    Damage("unit in the cell", _set(30, FORCE, "45000 lbf"), 30, "units are mixed"),
    Damage("a word for a temperature", _set(30, CELSIUS, "warm"), 30, "not a number"),
    # ---- lines and files
    Damage("row cut short", _lines((67, "X4,240,down,0")), 67, "fields"),
    Damage("row with a cell too many", _lines((20, LINES[19] + ",ok")), 20, "fields"),
    Damage("row shifted by a cell", _lines((20, "," + LINES[19])), 20, "fields"),
    Damage("semicolons in one row", _lines((20, LINES[19].replace(",", ";"))), 20, "fields"),
    Damage("quote never closed", _lines((20, '"' + LINES[19])), None, "not CSV"),
    Damage("header again in the middle", _lines((20, HEADER)), 20, "applied is 'applied_kN'"),
    Damage("not UTF-8", SOUND.replace("X2", "X\u00b2").encode("latin-1"), 14, "not UTF-8"),
    Damage("UTF-16", SOUND.encode("utf-16"), 1, "not UTF-8"),
    Damage("a zero byte", SOUND.replace("X3", "X\0", 1).encode(), 26, "zero byte"),
    Damage("empty", b"", 1, "no header"),
    Damage("header alone", (HEADER + "\n").encode(), 2, "no readings"),
    Damage("remarks alone", b"# calibrated today\n# by two\n", 1, "no header"),
    # ---- columns
    Damage("no column of force", _without(FORCE), 1, "no column for the applied force"),
    Damage("no column of readings", _without(READING), 1, "no column 'reading'"),
    Damage("force without its unit", SOUND.replace("applied_kN", "applied").encode(), 1,
           "does not say its unit"),
    Damage("unit nobody knows", SOUND.replace("applied_kN", "applied_knot").encode(), 1,
           "allowed"),
    Damage("two columns of force", SOUND.replace("temperature_C", "applied_lbf").encode(), 1,
           "two columns"),
    Damage("headers exchanged", SOUND.replace("applied_kN,reading", "reading,applied_kN")
           .encode(), 3, "another unit, or force and reading exchanged"),
    Damage("cells exchanged in one row", _lines((7, "X1,0,up,2018750,250,21.0,180")), 7,
           "another unit, or force and reading exchanged"),
    # ---- the order of things
    Damage("row twice", _lines((7, LINES[6] + "\n" + LINES[6])), 8, "same as row 7"),
    Damage("zero row twice", _lines((2, LINES[1] + "\n" + LINES[1])), 3, "same as row 2"),
    Damage("step twice", _set(8, FORCE, "250"), 8, "duplicate step"),
    Damage("table pasted twice", (SOUND + "\n".join(LINES[1:]) + "\n").encode(), 68,
           "out of order"),
    Damage("two runs under one name", _kept(lambda r: r[SERIES] != "X3").replace(b"X2", b"X1"),
           15, "duplicate step"),
    Damage("hold without its kind", _made(_hold_without_kind), 13, "kind creep"),
    Damage("kind nobody knows", _kind(9, "setp"), 9, "kind is 'setp'"),
    Damage("repeat of nothing", _repeat(12, "500"), 12, "no earlier reading"),
    Damage("time backwards", _set(20, TIME, "30"), 20, "time_s is 30 after"),
    Damage("direction sideways", _set(20, WAY, "sideways"), 20, "'up' or 'down'"),
    Damage("falling called rising", SOUND.replace("X3,120,down", "X3,120,up").encode(), 37,
           "out of order"),
    Damage("one row of the wrong way", _set(20, WAY, "down"), 20, "although the direction is down"),
    Damage("series of one reading", _kept(lambda r: r[SERIES] != "X2" or r[FORCE] == "500"), 14,
           "only one reading"),
    # ---- forces
    Damage("one force in klbf", _set(7, FORCE, f"{250 / KLBF_kN:.4g}"), 7, "out of order"),
    Damage("a series of forces in klbf", _scale(range(14, 26), FORCE, 1 / KLBF_kN), 15,
           "written in klbf"),
    Damage("a series of forces in lbf", _scale(range(14, 26), FORCE, 1000 / KLBF_kN), 23,
           "another unit"),
    Damage("a zero missing in a force", _set(12, FORCE, "50"), 12, "out of order"),
    Damage("a zero too many in a force", _set(12, FORCE, "5000"), 12, "expected"),
    Damage("wrong sign of a force", _set(7, FORCE, "-250"), 7, "a wrong sign"),
    Damage("a zero that is none", _set(2, FORCE, "1e-14"), 2, "neither 0 nor a force"),
    Damage("every force 0", _made(lambda rows: [r.__setitem__(FORCE, "0") for r in rows[1:]]),
           2, "no force was applied"),
    Damage("one force throughout", b"applied_kN,reading\n5,100\n5,101\n5,99\n", 4,
           "every applied force is 5"),
    Damage("two forces", _kept(lambda r: r[FORCE] in ("0", "250", "500")), None,
           "2 distinct forces"),
    Damage("lowest force too high",
           _kept(lambda r: float(r[FORCE]) == 0 or float(r[FORCE]) > 180), 3,
           "lowest force, 40 %"),
    Damage("a gap in the forces", _kept(lambda r: not 120 < float(r[FORCE]) < 380), 4,
           "no force between"),
    # ---- readings
    Damage("converter at its rail", _set(12, READING, "8388607"), 12, "saturated"),
    Damage("converter at its lower rail", _set(12, READING, "-8388608"), 12, "saturated"),
    Damage("readings stop below the top",
           _made(lambda rows: [r.__setitem__(READING, "3500000") for r in rows[1:]
                               if float(r[FORCE]) > 420]), None, "saturated or stuck"),
    Damage("count stuck for a series",
           _made(lambda rows: [r.__setitem__(READING, "401000") for r in rows[13:25]]), None,
           "in doubt"),
    Damage("every reading the same",
           _made(lambda rows: [r.__setitem__(READING, "7") for r in rows[1:]]), 67,
           "every reading is 7"),
    Damage("reading 2 % off", _scale(range(9, 10), READING, 1.02), 9, "expected"),
    Damage("reading 2 % off on the way down", _scale(range(40, 41), READING, 0.98), 40,
           "expected"),
    Damage("reading 10 % off", _scale(range(57, 58), READING, 0.9), 57, "expected"),
    Damage("two readings off", _made(_two_off), 5, "row 33"),
    Damage("a zero missing in a reading", _scale(range(9, 10), READING, 0.1), 9,
           "a zero were missing"),
    Damage("a zero too many in a reading", _scale(range(5, 6), READING, 10.0), 5, "expected"),
    Damage("wrong sign of a reading", _scale(range(9, 10), READING, -1.0), 9,
           "goes the other way"),
    Damage("wrong sign of a series", _scale(range(14, 26), READING, -1.0), 15,
           "goes the other way"),
    Damage("two readings exchanged", _swap(6, 7), 6, "exchanged"),
    Damage("two far readings exchanged", _swap(28, 34), 28, "exchanged"),
    Damage("two falling readings exchanged", _swap(40, 41), 40, "exchanged"),
    Damage("readings in any order", _made(_shuffled), None, "row"),
    Damage("a series of another gain", _scale(range(48, 67), READING, 1.04, 1000.0), None,
           "series X4"),
    Damage("a series a thousand times less", _scale(range(14, 26), READING, 0.001), None,
           "series X2"),
    Damage("one zero off", _set(26, READING, "91000"), 26, "zero reads"),
    Damage("device restarted with another zero",
           _made(lambda rows: [r.__setitem__(READING, f"{float(r[READING]) + 80_000:.0f}")
                               for r in rows[46:]]), 47, "zero reads"),
    Damage("two cells in one table", _made(_two_cells), None, "hardly one cell"),
    Damage("one pressure in psi",
           _pressure(lambda rows: _scaled(rows, range(9, 10), READING, 1 / PSI_kPa)), 9,
           "written in psi"),
    Damage("a series of pressures in psi",
           _pressure(lambda rows: _scaled(rows, range(14, 26), READING, 1 / PSI_kPa)), None,
           "written in psi"),
    # ---- surroundings
    Damage("temperature 200", _set(20, CELSIUS, "200"), 20, "temperature is 200"),
    Damage("temperature -120", _set(20, CELSIUS, "-120"), 20, "temperature is -120"),
    Damage("temperature that jumps", _set(20, CELSIUS, "45"), 20, "temperature goes from 21"),
    Damage("position 480", _set(26, POSITION, "480"), 26, "position is 480"),
    Damage("position -120", _set(26, POSITION, "-120"), 26, "position is -120"),
    Damage("turned within a series", _set(30, POSITION, "240"), 30, "a series is one mounting"),
    # ---- what is missing is said
    Damage("positions 120, 120, 240",
           _made(lambda rows: [r.__setitem__(POSITION, "120") for r in rows[1:46]]), None,
           "a third position", certificate=True),
    Damage("positions not stated", _without(POSITION), None, "the position of the cell",
           certificate=True),
    Damage("positions partly stated", _made(lambda rows: [r.__setitem__(POSITION, "")
           for r in rows[25:]]), None, "a second and a third position", certificate=True),
    Damage("no zeros", _kept(lambda r: r[FORCE] != "0"), None, "no zero was read",
           certificate=True),
    Damage("a row lost", _lines((20, "")), None, "300 kN in series X2", certificate=True),
    Damage("a zero lost", _lines((46, "")), None, "the zero after series X3", certificate=True),
    Damage("rising only", _kept(lambda r: r[WAY] == "up" or r[FORCE] == "0"), None,
           "falling readings", certificate=True),
    Damage("times not stated", _without(TIME), None, "when each reading was taken",
           certificate=True),
    Damage("one temperature missing", _set(20, CELSIUS, ""), None, "the temperature",
           certificate=True),
    Damage("series not stated", _without(SERIES), None, "which series", certificate=True),
    Damage("one series alone", _kept(lambda r: r[SERIES] == "X1"), None,
           "a second and a third position", certificate=True),
)  # fmt: skip
"""Each with its outcome as the requirement has it."""

HARMLESS = (
    ("byte order mark", b"\xef\xbb\xbf" + SOUND.encode()),
    ("carriage returns", SOUND.replace("\n", "\r\n").encode()),
    ("semicolons", text_of(sound(), mark=";").encode()),
    (
        "empty lines and remarks",
        SOUND.replace("X2,0,up,0,", '\n# a "rest"\nX2,0,up,0,').encode(),
    ),
)
"""Dress that changes nothing: the certificate is the sound table's."""
