"""Other texts and bytes made of good ones: torn, doubled, foreign, absurd; by a seed."""

from __future__ import annotations

import copy
import json
import random
from typing import Any

__all__ = ["other_bytes", "other_json", "other_lines"]

VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2**31, 2**63, 2**64, -(2**63), 10**400, 1e308, -1e308, 5e-324, 0.1,
    float("nan"), float("inf"), float("-inf"), "", " ", "0", "nan", "x" * 3000, "\x1b[2J\u202e\n",
    "\ud800", "\0", [], {}, [[]], [None] * 50, [1, 2], ["a"], {"a": 1}, "2026-02-30", "kN", "=1+1",
)  # fmt: skip
CELLS = (
    "", "nan", "inf", "1e999", "-0", "9" * 400, "1,5", "1_0", "x" * 2000, "\x1b[2J", "'=1", '"',
    "\0", "٣", "0x1", "1e-400", "-1e308", "1 in 0", "=", "up", "down", "99999999", "-1",
)  # fmt: skip


def other_json(chance: random.Random, held: Any) -> Any:
    """A document with one to three of its parts otherwise, left out, or twice."""
    made = copy.deepcopy(held)
    for _ in range(chance.randint(1, 3)):
        parents = [p for p in _parts(made) if p]
        if not parents:
            return chance.choice(VALUES)
        parent = chance.choice(parents)
        key: Any = chance.choice(list(parent)) if isinstance(parent, dict) else None
        if key is None:
            key = chance.randrange(len(parent))
        match chance.randrange(5):
            case 0:
                del parent[key]
            case 1 if isinstance(parent, dict):
                parent[chance.choice(("more", "", "\x1b", "kind", "version"))] = parent[key]
            case 1:
                parent.append(parent[key])
            case 2 if isinstance(parent[key], int | float) and abs(parent[key]) < 1e300:
                parent[key] = parent[key] * chance.choice((-1, 0, 1e-9, 1e9, 1 + 1e-9))
            case _:
                parent[key] = copy.deepcopy(chance.choice(VALUES))
    return made


def _parts(held: Any) -> list[Any]:
    found = [held] if isinstance(held, dict | list) else []
    inner = held.values() if isinstance(held, dict) else held if isinstance(held, list) else ()
    for part in inner:
        found += _parts(part)
    return found


def other_lines(chance: random.Random, text: str, separator: str = ",") -> str:
    """A table or sheet with lines or cells otherwise."""
    lines = text.splitlines()
    for _ in range(chance.randint(1, 3)):
        i = chance.randrange(len(lines))
        match chance.randrange(6):
            case 0:
                del lines[i]
            case 1:
                lines.insert(i, chance.choice(lines))
            case 2:
                lines[i] = _inside(chance, lines[i].encode()).decode("utf-8", "replace")
            case _:
                cells = lines[i].split(separator)
                at = chance.randrange(len(cells))
                cells[at] = _cell(chance, cells[at])
                lines[i] = separator.join(cells)
        lines = lines or [""]
    return "\n".join(lines) + "\n"


def _cell(chance: random.Random, was: str) -> str:
    value = chance.choice((*CELLS, was + was, json.dumps(chance.choice(CELLS))))
    return f" {value}" if was.startswith(" ") else value


def other_bytes(chance: random.Random, data: bytes) -> bytes:
    """Bytes flipped, cut, doubled, put in."""
    for _ in range(chance.randint(1, 4)):
        data = _inside(chance, data)
    return data


def _inside(chance: random.Random, data: bytes) -> bytes:
    at = chance.randrange(len(data) + 1)
    end = min(at + chance.choice((1, 1, 2, 8, 64)), len(data))
    match chance.randrange(5):
        case 0:
            return data[:at]
        case 1:
            return data[:at] + data[end:]
        case 2:
            return data[:at] + chance.randbytes(chance.choice((1, 3, 40))) + data[at:]
        case 3:
            return data[:end] + data[at:end] * chance.choice((1, 20)) + data[end:]
        case _:
            return data[:at] + chance.randbytes(end - at) + data[end:]
