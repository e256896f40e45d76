"""Every parser of the command line, as argparse has built it."""

# ruff: noqa: SLF001 - argparse keeps the tree of its parsers to itself
from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping

from recorder.command_line.main import VERBS, build_parser


def sub_parsers(parser: argparse.ArgumentParser) -> Mapping[str, argparse.ArgumentParser]:
    """The parsers of a parser's own verbs."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    return {}


def walked(
    words: str, parser: argparse.ArgumentParser
) -> Iterator[tuple[str, argparse.ArgumentParser]]:
    """A parser and all below it, each with the words that lead to it."""
    yield words, parser
    for name, below in sub_parsers(parser).items():
        yield from walked(f"{words} {name}", below)


def every_parser() -> dict[str, argparse.ArgumentParser]:
    """``testcar`` and each verb and sub-verb, by the words that lead there."""
    found = {"testcar": build_parser()}
    for verb in VERBS:
        found |= dict(walked(f"testcar {verb}", sub_parsers(build_parser(verb))[verb]))
    return found


def verb_options() -> dict[str, set[str]]:
    """The options of each verb, those of its own verbs and of ``testcar`` with them."""
    found: dict[str, set[str]] = {verb: {"--debug", "--version"} for verb in VERBS}
    for words, parser in every_parser().items():
        if words != "testcar":
            found[words.split()[1]] |= {
                option for action in parser._actions for option in action.option_strings
            }
    return found
