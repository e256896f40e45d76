"""Plain values as TOML: enough for sheets, which hold tables, texts, numbers and lists."""

from __future__ import annotations

import json
import re
from datetime import date, time
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["toml_text"]

_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")


def toml_text(data: Mapping[str, Any]) -> str:
    """TOML of nested tables; what ``tomllib`` reads back equals ``data``.

    Raises
    ------
    TypeError
        A value TOML has no form for.
    """
    lines: list[str] = []
    _table(data, (), lines)
    return "\n".join(lines).strip() + "\n"


def _key(word: str) -> str:
    return word if _BARE.fullmatch(word) else _text(word)


def _text(value: str) -> str:
    # JSON's escapes are TOML's, except that TOML wants DEL escaped too.
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _is_tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(v, dict) for v in value)


def _table(data: Mapping[str, Any], path: tuple[str, ...], lines: list[str]) -> None:
    plain = {k: v for k, v in data.items() if not isinstance(v, dict) and not _is_tables(v)}
    lines += [f"{_key(k)} = {_value(v)}" for k, v in plain.items()]
    for key, value in data.items():
        where = (*path, key)
        name = ".".join(_key(k) for k in where)
        if isinstance(value, dict):
            only_tables = value and all(
                isinstance(v, dict) or _is_tables(v) for v in value.values()
            )
            if not only_tables:
                lines += ["", f"[{name}]"]
            _table(value, where, lines)
        elif _is_tables(value):
            for row in value:
                lines += ["", f"[[{name}]]"]
                _table(row, where, lines)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        text = repr(value)
        return text if text.lstrip("-")[0].isdigit() else text.replace("infinity", "inf")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, dict):
        inner = ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items())
        return "{" + inner + "}"
    msg = f"TOML has no form for {type(value).__name__}"
    raise TypeError(msg)
