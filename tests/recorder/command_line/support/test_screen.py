"""No text from anywhere steers the terminal, and no value floods it."""

from __future__ import annotations

import io
import json
import os
import sys
from pathlib import Path

import pytest

from calibration.quantities.printable import shortened
from recorder.command_line.main import main
from recorder.command_line.support.json_answer import json_text
from recorder.command_line.support.screen import guarded, steer

STEERING = "\x1b[2J\x07\x08\r\x00\x9b31m\u202e\u2066\u200b\u200e\u2028\u2029\ufeff\x7f\ud800"


@pytest.mark.parametrize("sign", STEERING.replace("[2J", "").replace("31m", ""))
def test_a_sign_that_steers_is_shown_as_a_mark(
    sign: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with guarded():
        sys.stdout.write(f"run {sign}7\n")
        sys.stderr.write(f"run {sign}7\n")
    told = capsys.readouterr()
    assert told.out == told.err == "run \ufffd7\n"


def test_letters_of_any_script_and_tabs_are_shown(capsys: pytest.CaptureFixture[str]) -> None:
    with guarded():
        sys.stdout.write("Änderung\tпоезд 列車 é 25 °C −3\n")
    assert capsys.readouterr().out == "Änderung\tпоезд 列車 é 25 °C −3\n"


def test_only_our_own_codes_move_the_cursor(capsys: pytest.CaptureFixture[str]) -> None:
    with guarded():
        steer("\r\x1b[K")
    assert capsys.readouterr().err == "\r\x1b[K"


def test_a_terminal_without_the_letters_gets_their_codes(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    raw = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, "ascii"))
    with guarded():
        sys.stdout.write("Tour de Änderung\n")
        sys.stdout.flush()
    assert raw.getvalue() == b"Tour de \\xc4nderung\n"


def test_a_long_value_is_shortened_with_how_long_it_was() -> None:
    shown = shortened(f"got {'x' * 100_000}; allowed: a number")
    assert len(shown) < 400
    assert shown.endswith("(100,000 characters); allowed: a number")
    assert "20,001 characters" in shortened("a " * 10_000 + "a")
    assert shortened("a word of no length") == "a word of no length"


@pytest.mark.parametrize("argument", ["x" * 100_000, f"a\nb{STEERING}", "\x1b]0;name\x07"])
def test_an_argument_steers_nothing(argument: str, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["info", argument], ["feed", "--rate", argument], ["info", "a", argument]):
        try:
            code = main(words)
        except SystemExit as end:
            code = int(str(end.code))
        assert code == 2
        told = capsys.readouterr().err
        assert told.count("\n") == 1
        assert told.removesuffix("\n").isprintable()
        assert len(told) < 1_000


def test_json_stays_json_and_keeps_every_sign() -> None:
    answer = {"note": f"a {STEERING} ä \U000e0001"}
    text = json_text(answer)
    assert json.loads(text) == answer
    assert all(line.isprintable() for line in text.splitlines())
    assert "ä" in text


def test_a_pipe_or_folder_in_a_files_place_is_refused_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    os.mkfifo(tmp_path / "pipe")
    for place in (tmp_path / "pipe", tmp_path, "/dev/zero"):
        for words in ("info", "verify", "route check", "marks", "import --out new.h5"):
            assert main([*words.split(), str(place)]) == 2
            assert "a file is needed" in capsys.readouterr().err
