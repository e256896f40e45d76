"""How every verb reads its command line: help in whole sentences, refusals in one line."""

from __future__ import annotations

import argparse
import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Final, NoReturn

if TYPE_CHECKING:
    # argparse keeps the type of what adds a verb to itself.
    Verbs = argparse._SubParsersAction[argparse.ArgumentParser]  # noqa: SLF001

__all__ = ["HelpFormatter", "Parser", "Verbs", "number", "seed_number", "whole_number"]

WIDEST: Final = 78
"""Columns of a help text, with room to spare on a terminal of 80."""


class HelpFormatter(argparse.HelpFormatter):
    """Fills sentences; leaves lines that are indented, and what stands above them, as they are."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, max_help_position=28, width=WIDEST)

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        blocks = textwrap.dedent(text).strip().split("\n\n")
        return "\n\n".join(self._block(block, width, indent) for block in blocks)

    def _block(self, block: str, width: int, indent: str) -> str:
        if any(line.startswith(" ") for line in block.splitlines()):
            return textwrap.indent(block, indent)
        return textwrap.fill(
            block, width, initial_indent=indent, subsequent_indent=indent,
            break_on_hyphens=False, break_long_words=False,
        )  # fmt: skip

    def _split_lines(self, text: str, width: int) -> list[str]:
        # An option or a file's name that is broken at its hyphen is not found again.
        words = " ".join(text.split())
        return textwrap.wrap(words, width, break_on_hyphens=False, break_long_words=False)

    def add_usage(
        self,
        usage: str | None,
        actions: Iterable[argparse.Action],
        groups: Iterable[argparse._MutuallyExclusiveGroup],
        prefix: str | None = None,
    ) -> None:
        """As argparse does, with a capital."""
        super().add_usage(usage, actions, groups, "Usage: " if prefix is None else prefix)


class Parser(argparse.ArgumentParser):
    """A parser whose help and refusals are read by people; its sub-parsers are of its kind."""

    def __init__(self, **given: Any) -> None:  # noqa: ANN401 - argparse's own arguments
        super().__init__(**{"formatter_class": HelpFormatter, **given, "add_help": False})
        self._positionals.title = "What to give"
        self._optionals.title = "Options"
        self.register("type", float, number)
        self.register("type", int, whole_number)
        self.add_argument("-h", "--help", action="help", help="Show this help and end.")
        # The innermost parser that read a command line: whose help tells more.
        self.set_defaults(asked=self.prog)

    def error(self, message: str) -> NoReturn:
        """One line: what is wrong, and where it says how it is done; exit code 2."""
        what = message.removeprefix("argument ")
        self.exit(2, f"{self.prog}: {what}; {self.prog} --help shows what is allowed\n")


def number(text: str) -> float:
    """A number; raises as argparse wants it, and says what was got."""
    try:
        return float(text)
    except ValueError:
        msg = f"got {text[:60]!r}; allowed: a number, such as 2.5"
        raise argparse.ArgumentTypeError(msg) from None


def whole_number(text: str) -> int:
    """A whole number; raises as argparse wants it, and says what was got."""
    try:
        return int(text)
    except ValueError:
        msg = f"got {text[:60]!r}; allowed: a whole number, such as 3"
        raise argparse.ArgumentTypeError(msg) from None


def seed_number(text: str) -> int:
    """Which train is simulated: a whole number that is not below 0."""
    number = whole_number(text)
    if number < 0:
        msg = f"got {text[:60]!r}; allowed: a whole number from 0 up"
        raise argparse.ArgumentTypeError(msg)
    return number
