"""Every command that the README and the help texts show is one that there is."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from recorder.command_line.main import build_parser
from tests.recorder.command_line.support.parser_tree import verb_options

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def shown() -> list[str]:
    """Lines of README's fenced blocks that begin with the command's name."""
    blocks = re.findall(r"```sh\n(.*?)```", README, re.S)
    return [line for b in blocks for line in b.splitlines() if line.startswith("testcar ")]


def test_the_readme_shows_commands() -> None:
    assert len(shown()) > 20


@pytest.mark.parametrize("line", shown())
def test_a_command_of_the_readme_is_understood(
    line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words = shlex.split(line, comments=True)[1:]
    if "--help" in words:
        with pytest.raises(SystemExit) as left:
            build_parser(words[0]).parse_args(words)
        assert left.value.code == 0
        assert "Usage" in capsys.readouterr().out
    else:
        assert callable(build_parser(words[0]).parse_args(words).run)


def told() -> list[str]:
    """What stands as code within README's sentences and is a command or an option."""
    sentences = re.sub(r"```.*?```", "", README, flags=re.S)
    spans = [" ".join(span.split()) for span in re.findall(r"`([^`]+)`", sentences)]
    return [span for span in spans if re.match(r"testcar [a-z-]|--[a-z]", span)]


def test_a_verb_and_an_option_in_a_sentence_are_there() -> None:
    options = verb_options()
    known = set().union(*options.values())
    assert len(told()) > 10
    for span in told():
        words = span.split()
        verbs = [word for word in words[1:2] if words[0] == "testcar" and word[0] != "-"]
        assert set(verbs) <= options.keys(), span
        allowed = options[verbs[0]] if verbs else known
        assert {word for word in words if word.startswith("--")} <= allowed, span
