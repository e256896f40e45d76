"""An answer as JSON, for a person to look at or a program to read."""

from __future__ import annotations

import argparse
import json

__all__ = ["add_json", "print_json"]


def add_json(parser: argparse.ArgumentParser) -> None:
    """Add ``--json``, of a verb whose actions take it too: before or after an action's name.

    ``json=False`` is to be the verb's default.
    """
    # Suppressed: an action's own default would undo an option given before its name.
    keep = argparse.SUPPRESS
    parser.add_argument(
        "--json", action="store_true", default=keep, help="Print the answer as JSON."
    )


def print_json(answer: object) -> None:
    """Print it, in letters of any script."""
    print(json.dumps(answer, indent=2, ensure_ascii=False))
