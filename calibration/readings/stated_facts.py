"""Groups of stated facts as plain JSON tables: read with every name and type checked."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, fields
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Final, TypeVar

from calibration.certificates.certificate import CertificateError, read_date

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

T = TypeVar("T", bound="DataclassInstance")

__all__ = ["facts_document", "fail_fact", "is_number", "read_facts"]

FIRST_YEAR: Final = 1950
LAST_YEAR: Final = 2100
"""No certificate that is still in use is older, and none runs so far ahead (from experience)."""
SHOWN: Final = 200
"""So many characters of a value are told; a number may have hundreds of digits."""


def fail_fact(name: str, got: object, allowed: str) -> None:
    """Raise the one-line ``CertificateError`` of a stated fact."""
    text = repr(got)
    shown = text if len(text) <= SHOWN else f"{text[:SHOWN]}…"
    msg = f"{name} is {shown}; allowed: {allowed}"
    raise CertificateError(msg)


def facts_document(facts: DataclassInstance) -> dict[str, Any]:
    """Plain JSON: dates as ISO 8601, pairs as lists."""
    return {name: _plain(value) for name, value in asdict(facts).items()}


def _plain(value: object) -> object:
    if isinstance(value, date):
        return value.isoformat()
    return list(value) if isinstance(value, tuple) else value


def read_facts(kind: type[T], document: Mapping[str, Any], *, group: str = "") -> T:
    """Make one group of facts from its table; the inverse of ``facts_document``.

    Fields are annotated ``str``, ``int``, ``float``, ``date``, ``tuple[float, float]``,
    ``tuple[int, ...]`` or a table, each with or without ``| None``.

    Raises
    ------
    CertificateError
        A name that is not known, or a value of another type than the field's.
    """
    known = {f.name: f for f in fields(kind)}
    unknown = sorted(set(document) - set(known))
    if unknown:
        msg = f"unknown setting {_in(group, unknown[0])!r}; known: {', '.join(known)}"
        raise CertificateError(msg)
    return kind(
        **{
            name: _value(document, name, str(known[name].type), _in(group, name))
            for name in document
        }
    )


def _in(group: str, name: str) -> str:
    return f"{group}.{name}" if group else name


def _value(document: Mapping[str, Any], name: str, declared: str, where: str) -> object:
    value = document[name]
    if value is None and "None" in declared:
        return None
    if declared.startswith("tuple[int"):
        if isinstance(value, list | tuple) and all(type(v) is int for v in value):
            return tuple(value)
    elif declared.startswith("tuple"):
        pair = value if isinstance(value, list | tuple) else ()
        if len(pair) == 2 and all(is_number(v) for v in pair):
            return float(pair[0]), float(pair[1])
    elif declared.startswith("str"):
        if isinstance(value, str):
            return value
    elif declared.startswith("int"):
        if isinstance(value, int) and not isinstance(value, bool):
            return value
    elif declared.startswith("bool"):
        if isinstance(value, bool):
            return value
    elif declared.startswith("date"):
        # A TOML sheet gives a day as a day, a JSON document as its text.
        plain = isinstance(value, date) and not isinstance(value, datetime)
        day = value if plain else read_date(document, name)
        if isinstance(day, date) and FIRST_YEAR <= day.year <= LAST_YEAR:
            return day
        fail_fact(where, str(day), f"a day of the years {FIRST_YEAR} to {LAST_YEAR}")
    elif declared.startswith("Mapping"):
        if isinstance(value, Mapping):
            return value
    elif is_number(value):
        return value
    fail_fact(where, value, declared)
    return None


def is_number(value: object) -> bool:
    """Whether a value of a document is a finite number (true and false are none)."""
    if not isinstance(value, int | float) or isinstance(value, bool):
        return False
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number of hundreds of digits
        return False
