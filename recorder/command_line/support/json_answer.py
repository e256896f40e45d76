"""An answer as JSON, of a verb whose actions take the option too."""

from __future__ import annotations

import argparse
import json

__all__ = ["add_json", "print_json"]


def add_json(parser: argparse.ArgumentParser) -> None:
    """Add ``--json`` before or after an action's name; ``json=False`` is the parser's default."""
    # Suppressed: an action's own default would undo an option given before its name.
    keep = argparse.SUPPRESS
    parser.add_argument(
        "--json", action="store_true", default=keep, help="print the answer as JSON"
    )


def print_json(answer: object) -> None:
    """Print it."""
    print(json.dumps(answer, indent=2, ensure_ascii=False))
