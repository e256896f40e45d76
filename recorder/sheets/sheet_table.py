"""One table of a sheet, read key by key; every problem is collected, none stops the reading."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from calibration.quantities.bounded_text import bounded_toml, read_bounded_text
from calibration.quantities.units import UNITS, convert, units_of
from recorder.sheets.errors import SheetError

__all__ = ["MAX_BYTES", "SheetTable", "likely", "read_text_file", "read_toml", "shown"]

MAX_BYTES: Final = 2**20
"""A sheet is a page or two; more is not a sheet."""


def likely(word: str, allowed: Iterable[str]) -> str:
    """``"; did you mean 'driver'?"`` or nothing."""
    near = difflib.get_close_matches(word, list(allowed), n=1, cutoff=0.6)
    return f"; did you mean {near[0]!r}?" if near else ""


def read_text_file(path: Path) -> str:
    """The text of a sheet file.

    Raises
    ------
    SheetError
        Not a readable UTF-8 text file of reasonable size.
    OSError
        The file cannot be opened.
    """
    return read_bounded_text(path, largest=MAX_BYTES, refused="not a sheet", error=SheetError)


def read_toml(text: str, *, source: str) -> dict[str, Any]:
    """Parse TOML; a syntax error becomes one line with its place."""
    try:
        return bounded_toml(text)
    except ValueError as error:
        words = " ".join(str(error).split()) or type(error).__name__
        msg = f"{source}: not TOML: {words}"
        raise SheetError(msg) from error


def shown(value: object) -> str:
    """A value as it appears in a message: short, on one line."""
    text = " ".join(repr(value).split())
    return text if len(text) <= 60 else text[:57] + "…"


class SheetTable:
    """Reads the keys of one table and remembers which it was asked for."""

    def __init__(
        self, data: Mapping[str, Any], *, source: str, name: str, problems: list[str]
    ) -> None:
        self._data = data
        self._source = source
        self._name = name
        self._known: set[str] = set()
        self._stems: dict[str, str] = {}
        self.problems = problems

    def problem(self, words: str) -> None:
        """Note a problem of this table."""
        where = f"{self._source} [{self._name}]" if self._name else self._source
        self.problems.append(f"{where}: {words}")

    def __contains__(self, key: str) -> bool:
        return key in self._data

    @property
    def keys(self) -> tuple[str, ...]:
        """Keys that are there."""
        return tuple(self._data)

    def take(self, key: str) -> object:
        """The raw value, or None; the key counts as known."""
        self._known.add(key)
        value: object = self._data.get(key)
        return value

    def text(
        self,
        key: str,
        default: str | None = "",
        *,
        allowed: Sequence[str] = (),
        most: int = 500,
    ) -> str:
        """A text; ``default=None`` makes the key obligatory."""
        value = self.take(key)
        if value is None:
            if default is None:
                self._missing(key)
            return default or ""
        if isinstance(value, int) and not isinstance(value, bool):
            value = str(value)  # a locomotive's number is written without quotes too
        if not isinstance(value, str):
            self.problem(f"{key} must be text in quotes, got {shown(value)}")
            return default or ""
        if len(value) > most:
            self.problem(f"{key} must be at most {most} characters, got {len(value)}")
            return default or ""
        if allowed and value not in allowed:
            self.problem(
                f"{key} must be one of {', '.join(allowed)}, got {shown(value)}"
                f"{likely(value, allowed)}"
            )
            return default or ""
        if default is None and not value.strip():
            self.problem(f"{key} must not be empty")
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts, or one text."""
        value = self.take(key)
        if value is None:
            return ()
        if isinstance(value, str):
            return (value,)
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            self.problem(f"{key} must be a list of texts in quotes, got {shown(value)}")
            return ()
        return tuple(value)

    def flag(self, key: str, *, default: bool = False) -> bool:
        """true or false."""
        value = self.take(key)
        if value is None:
            return default
        if not isinstance(value, bool):
            self.problem(f"{key} must be true or false, got {shown(value)}")
            return default
        return value

    def number(
        self,
        key: str,
        default: float | None = None,
        *,
        low: float = -math.inf,
        high: float = math.inf,
        above: float = -math.inf,
    ) -> float | None:
        """A finite number with ``low ≤ value ≤ high`` and ``value > above``."""
        value = self.take(key)
        if value is None:
            return default
        return self._checked(key, value, default, low=low, high=high, above=above)

    def whole(
        self, key: str, default: int | None = None, *, low: int = 0, high: int = 10**6
    ) -> int | None:
        """A whole number."""
        value = self.take(key)
        if value is None:
            return default
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            self.problem(
                f"{key} must be a whole number from {low} to {high}, got {shown(value)}"
            )
            return default
        return value

    def quantity(
        self,
        stem: str,
        unit: str,
        default: float | None = None,
        *,
        low: float = -math.inf,
        high: float = math.inf,
        above: float = -math.inf,
        required: bool = False,
    ) -> float | None:
        """A number whose unit stands in the key (``mass_t``, ``mass_short_tons``), in ``unit``.

        Limits are in ``unit`` too.
        """
        found = self._spellings(stem, unit)
        if not found:
            if stem in self._data:
                self._known.add(stem)
                names = ", ".join(f"{stem}_{u}" for u in units_of(UNITS[unit].quantity)[:4])
                self.problem(f"{stem} needs its unit in the key, for example {names}")
            elif required:
                self._missing(f"{stem}_{unit}")
            return default
        if len(found) > 1:
            self.problem(f"give one of {', '.join(found)}, not {len(found)}")
        key = found[0]
        value = self._checked(key, self._data[key], None)
        if value is None:
            return default
        converted = float(convert(value, key[len(stem) + 1 :], unit))
        spelt = f"{stem}_{unit}"
        return self._checked(spelt, converted, default, low=low, high=high, above=above)

    def _spellings(self, stem: str, unit: str) -> list[str]:
        """The keys there are that give this quantity, in whichever of its units."""
        self._stems[stem] = unit
        found = [
            key
            for key in self._data
            if key.startswith(f"{stem}_")
            and (other := UNITS.get(key[len(stem) + 1 :])) is not None
            and other.quantity == UNITS[unit].quantity
        ]
        self._known.update(found)
        return found

    def table(self, key: str) -> SheetTable:
        """A sub-table; an absent one reads as empty."""
        value = self.take(key)
        name = f"{self._name}.{key}" if self._name else key
        if value is None:
            value = {}
        elif not isinstance(value, dict):
            self.problem(f"{key} must be a table [{name}], got {shown(value)}")
            value = {}
        return SheetTable(value, source=self._source, name=name, problems=self.problems)

    def tables(self, key: str) -> list[SheetTable]:
        """An array of tables; absent reads as none."""
        value = self.take(key)
        name = f"{self._name}.{key}" if self._name else key
        if value is None:
            return []
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            self.problem(f"{key} must be a list of tables [[{name}]], got {shown(value)}")
            return []
        return [
            SheetTable(v, source=self._source, name=f"{name} {i}", problems=self.problems)
            for i, v in enumerate(value, start=1)
        ]

    def named_tables(self) -> dict[str, SheetTable]:
        """Every key as a sub-table of its own name."""
        return {key: self.table(key) for key in self._data}

    def done(self) -> None:
        """Complain of every key nobody asked for."""
        for key in self._data:
            if key in self._known:
                continue
            allowed = sorted(self._known | {f"{s}_{u}" for s, u in self._stems.items()})
            stem = next((s for s in self._stems if key.startswith(f"{s}_")), None)
            if stem is not None:
                kind = UNITS[self._stems[stem]].quantity
                names = [f"{stem}_{u}" for u in units_of(kind)]
                listed = ", ".join(names)
                self.problem(
                    f"unknown key {key!r}{likely(key, names) or ';'} allowed: {listed}"
                )
                continue
            listed = ", ".join(allowed) or "none"
            self.problem(f"unknown key {key!r}{likely(key, allowed) or ';'} allowed: {listed}")

    def _missing(self, key: str) -> None:
        near = likely(key, [k for k in self._data if k not in self._known])
        self.problem(f"{key} is missing{near.replace('did you mean', 'is it')}")

    def _checked(
        self,
        key: str,
        value: object,
        default: float | None,
        *,
        low: float = -math.inf,
        high: float = math.inf,
        above: float = -math.inf,
    ) -> float | None:
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.problem(f"{key} must be a number, got {shown(value)}")
            return default
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            self.problem(f"{key} must be a finite number, got {shown(value)}")
            return default
        if not (low <= number <= high and number > above):
            self.problem(f"{key} must be {_limits(low, high, above)}, got {number:g}")
            return default
        return number


def _limits(low: float, high: float, above: float) -> str:
    words = []
    if above > -math.inf:
        words.append(f"above {above:g}")
    if low > -math.inf:
        words.append(f"at least {low:g}")
    if high < math.inf:
        words.append(f"at most {high:g}")
    return " and ".join(words)
