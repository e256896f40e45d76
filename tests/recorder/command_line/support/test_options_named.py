"""An option that a message advises is one of the verb that prints it, or its verb is named."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Final, NamedTuple

from recorder.command_line.main import VERBS
from tests.recorder.command_line.support.parser_tree import verb_options

ROOT: Final = Path(__file__).parents[4]
PACKAGES: Final = ("recorder", "calibration", "drivers", "simulated_feeds")
OPTION: Final = re.compile(r"(?<![\w-])--[a-zA-Z][\w-]*")
VERB: Final = re.compile(r"(?<!\w)testcar (?:--debug )?([a-z]+)(?= |$|[.;,:)])")
EXAMPLE: Final = re.compile(r"^ +(testcar |--).*$", re.M)
NAMES_OF_FORMATS: Final = {"comparison", "results", "laboratory"}
"""``testcar results`` and the like stand at the head of files; they are no command."""


class Words(NamedTuple):
    """A string of the sources that a person may read."""

    module: str
    where: str
    text: str


@cache
def modules() -> dict[str, tuple[Path, ast.Module]]:
    """Every module of the product, by its dotted name."""
    paths = [p for top in PACKAGES for p in sorted((ROOT / top).rglob("*.py"))]
    return {
        ".".join(p.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): (
            p,
            ast.parse(p.read_text("utf-8")),
        )
        for p in paths
    }


def joined(node: ast.JoinedStr) -> str:
    """An f-string, with ``{}`` for what is put in."""
    return "".join(
        str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values
    )


def strings(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Strings of a module but docstrings and the names under which options are added."""
    passed: set[ast.AST] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr):
            passed.add(node.value)
        elif isinstance(node, ast.JoinedStr):
            passed |= set(node.values)
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            yield node.lineno, joined(node)
        elif (
            isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and node not in passed
        ):
            yield node.lineno, node.value


@cache
def all_words() -> list[Words]:
    """All of them; a string that is one word alone is an argument, not a message."""
    return [
        Words(name, f"{path.relative_to(ROOT)}:{line}", text)
        for name, (path, tree) in modules().items()
        for line, text in strings(tree)
        if re.search(r"\s", text)
    ]


def imported(tree: ast.Module, known: set[str]) -> set[str]:
    """What a module imports when it runs, at the top or inside a function."""
    typing = {
        inner
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for inner in ast.walk(node)
    }
    found: set[str] = set()
    for node in set(ast.walk(tree)) - typing:
        if isinstance(node, ast.ImportFrom):
            found |= {str(node.module), *(f"{node.module}.{a.name}" for a in node.names)}
    return found & known


def users(held: Mapping[str, tuple[Path, ast.Module]]) -> dict[str, set[str]]:
    """For each module the verbs that may print its messages; a verb's own prints its own."""
    imports = {name: imported(tree, set(held)) for name, (_, tree) in held.items()}
    found: dict[str, set[str]] = {name: set() for name in held}
    for verb in VERBS:
        start = f"recorder.command_line.verbs.verb_{verb}"
        seen, pending = {start}, [start]
        while pending:
            for name in imports[pending.pop()] - seen:
                seen.add(name)
                pending.append(name)
        for name in seen:
            found[name].add(verb)
    for verb in VERBS:
        found[f"recorder.command_line.verbs.verb_{verb}"] = {verb}
    return found


def sources_of(option: str, text: str) -> list[str]:
    """The verbs a message names before an option; a sentence reaches to its full stop."""
    return VERB.findall(text.split(option)[0])[-1:]


def wrong_advice() -> list[str]:
    """Each message that advises an option which whoever reads it does not have."""
    options, held = verb_options(), modules()
    known, printed_by = set().union(*options.values()), users(held)
    found = []
    for words in all_words():
        text = EXAMPLE.sub("", words.text)
        for option in set(OPTION.findall(text)):
            named = sources_of(option, text)
            verbs = set(named) & options.keys() or printed_by[words.module]
            if option not in known or any(option not in options[verb] for verb in verbs):
                found.append(f"{words.where}: {option} in {text!r}")
    return found


def test_a_message_advises_no_option_that_its_reader_does_not_have() -> None:
    assert wrong_advice() == []


def test_messages_that_advise_options_are_found_in_all_rooms() -> None:
    advising = {w.module.split(".")[0] for w in all_words() if OPTION.search(w.text)}
    assert {"recorder", "calibration"} <= advising


def test_a_message_names_no_verb_that_there_is_not() -> None:
    wrong = [
        f"{words.where}: testcar {verb}"
        for words in all_words()
        for verb in VERB.findall(words.text)
        if verb not in {*VERBS, *NAMES_OF_FORMATS}
    ]
    assert wrong == []
