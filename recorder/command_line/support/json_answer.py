"""An answer as JSON, for a person to look at or a program to read."""

from __future__ import annotations

import argparse
import json

__all__ = ["add_json", "json_text", "print_json"]


def add_json(parser: argparse.ArgumentParser) -> None:
    """Add ``--json``, of a verb whose actions take it too: before or after an action's name.

    ``json=False`` is to be the verb's default.
    """
    # Suppressed: an action's own default would undo an option given before its name.
    keep = argparse.SUPPRESS
    parser.add_argument(
        "--json", action="store_true", default=keep, help="Print the answer as JSON."
    )


def print_json(answer: object, *, indent: int | None = 2) -> None:
    """Print it, in letters of any script."""
    print(json_text(answer, indent=indent))


def json_text(answer: object, *, indent: int | None = 2) -> str:
    """JSON in letters of any script; what would steer a terminal is written as its code."""
    text = json.dumps(answer, indent=indent, ensure_ascii=False)
    # Signs that do not print stand within texts only, but for the ends of our own lines.
    return "\n".join(
        line if line.isprintable() else "".join(map(_as_code, line))
        for line in text.split("\n")
    )


def _as_code(sign: str) -> str:
    return sign if sign.isprintable() else json.dumps(sign)[1:-1]
