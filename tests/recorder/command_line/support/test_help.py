"""Every help text is read by people: whole sentences, defaults named, examples that work."""

# ruff: noqa: SLF001 - argparse keeps the tree of its parsers to itself
from __future__ import annotations

import argparse
import re
import shlex

import pytest

from recorder.command_line.bench.bench_opening import DEFAULTS
from recorder.command_line.main import VERBS, build_parser
from tests.recorder.command_line.support.parser_tree import every_parser

WIDTH = 80
OWN_DEFAULT = re.compile(r"\bdefault\b|\b[Ww]ithout (it|them)\b|\b[Oo]nly .* without it\b")


PARSERS = every_parser()
each_parser = pytest.mark.parametrize("words", PARSERS)


def options(words: str) -> list[argparse.Action]:
    """Every argument and option of a parser; verbs apart."""
    parser = PARSERS[words]
    return [a for a in parser._actions if not isinstance(a, argparse._SubParsersAction)]


def expanded(action: argparse.Action) -> str:
    """Its help as it is printed."""
    text = action.help or ""
    return " ".join((text % {"default": action.default, "prog": ""}).split())


def is_sentence(text: str) -> bool:
    """Capital first, full stop last, and no piece between two stops without a capital."""
    pieces = re.split(r"(?<=[.!?]) ", text)
    starts = re.compile(r"[A-Z0-9]|--|testcar ")
    return text.endswith((".", "?")) and all(starts.match(piece) for piece in pieces)


def examples(text: str) -> list[list[str]]:
    """The commands of a help text's example lines, continued lines joined."""
    lines = text.replace("\\\n", " ").splitlines()
    return [shlex.split(line) for line in lines if line.startswith("  testcar ")]


def test_the_walk_reaches_verbs_and_their_own_verbs() -> None:
    assert {f"testcar {verb}" for verb in VERBS} < PARSERS.keys()
    assert {"testcar bench fit", "testcar marks withdraw", "testcar wheel pdf"} < PARSERS.keys()


@each_parser
def test_a_help_text_says_in_whole_sentences_what_is_done(words: str) -> None:
    description = PARSERS[words].description or ""
    for paragraph in description.split("\n\n"):
        assert is_sentence(" ".join(paragraph.split())), paragraph


@each_parser
def test_every_option_is_told_in_whole_sentences(words: str) -> None:
    for action in options(words):
        assert is_sentence(expanded(action)), (
            action.option_strings or action.dest,
            action.help,
        )


@each_parser
def test_every_verb_in_a_list_is_told_in_a_whole_sentence(words: str) -> None:
    for action in PARSERS[words]._actions:
        if isinstance(action, argparse._SubParsersAction):
            told = {entry.dest: entry.help or "" for entry in action._choices_actions}
            assert told.keys() == action.choices.keys()
            for name, text in told.items():
                assert is_sentence(text), name


@each_parser
def test_an_option_says_what_holds_without_it(words: str) -> None:
    parser = PARSERS[words]
    covered = {
        id(action)
        for group in parser._action_groups
        if OWN_DEFAULT.search(group.description or "")
        for action in group._group_actions
    }
    for action in options(words):
        takes_value = action.option_strings and action.nargs != 0
        if takes_value and not action.required and id(action) not in covered:
            assert OWN_DEFAULT.search(expanded(action)), action.option_strings


@each_parser
def test_a_default_is_named_as_it_is(words: str) -> None:
    for action in options(words):
        value = action.default
        if action.nargs == 0 or value in (None, argparse.SUPPRESS, ""):
            continue
        told = f"{value:g}" if isinstance(value, float) else str(value)
        if value != [] and action.option_strings:
            assert re.search(rf"(?<![\w.]){re.escape(told)}(?![\w])", expanded(action)), (
                action.option_strings
            )


def test_the_bench_session_names_the_defaults_it_begins_with() -> None:
    told = {action.dest: expanded(action) for action in options("testcar bench run")}
    for name, value in DEFAULTS.items():
        if isinstance(value, bool):
            continue
        parts = value if isinstance(value, tuple) else (value,)
        shown = " ".join(f"{p:g}" if isinstance(p, float) else str(p) for p in parts)
        assert shown in told[name], name


@each_parser
def test_a_help_text_fits_a_terminal(words: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(WIDTH))
    for line in PARSERS[words].format_help().splitlines():
        assert len(line) <= WIDTH, line


@each_parser
def test_a_help_text_ends_in_an_example_of_its_own(words: str) -> None:
    own = [e for e in examples(PARSERS[words].format_help()) if is_of(words, e)]
    assert own


def is_of(words: str, example: list[str]) -> bool:
    """Whether an example uses the very verb; its words may have a run file between them."""
    rest = iter(example)
    return all(word in rest for word in words.split())


@each_parser
def test_the_examples_of_a_help_text_are_understood(words: str) -> None:
    for example in examples(PARSERS[words].format_help()):
        args = build_parser(example[1]).parse_args(example[1:])
        assert callable(args.run)
        if is_of(words, example):
            assert args.asked.replace(" RUN ", " ").startswith(words)
