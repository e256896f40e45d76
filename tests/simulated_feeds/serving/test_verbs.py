"""``testcar feed`` and ``testcar replay`` as a person starts them."""

from __future__ import annotations

import json
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from recorder.command_line.main import main
from recorder.machine.child_process import child_environment, python_command

Reading = Callable[[dict[str, str]], dict[str, bytes]]


def start(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        python_command("recorder.command_line.main", *words), stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True, env=child_environment(),
    )  # fmt: skip


def first_event(process: subprocess.Popen[str]) -> dict[str, Any]:
    assert process.stdout is not None
    event: dict[str, Any] = json.loads(process.stdout.readline())
    return event


def test_feed_tells_its_ports_and_runs_its_seconds(tmp_path: Path, reading: Reading) -> None:
    copy = tmp_path / "sheet" / "copy.toml"
    copy.parent.mkdir()
    out = str(tmp_path / "feed")
    words = ("--out", out, "--seconds", "5", "--speed", "10", "--car-sheet", str(copy))
    with start("feed", "--json", *words) as process:
        ready = first_event(process)
        assert ready["event"] == "ready"
        got = reading(ready["ports"])
        rest, errors = process.communicate(timeout=30)
    assert process.returncode == 0
    assert errors == ""
    events = [json.loads(line) for line in rest.splitlines()]
    assert [e["event"] for e in events] == ["started", "ended"]
    assert len(got["wheel"]) == 24 * events[-1]["frames"]["wheel"]["sent"]
    assert copy.read_text() == Path(ready["sheets"]["car"]).read_text()
    assert (tmp_path / "feed" / "truth.csv").stat().st_size > 10_000


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C goes to the whole console there")
def test_ctrl_c_ends_a_feed_well(tmp_path: Path) -> None:
    with start("feed", "--out", str(tmp_path / "feed")) as process:
        assert process.stdout is not None
        lines = [process.stdout.readline() for _ in range(5)]
        assert lines[0].startswith("drawbar    tcp://127.0.0.1:")
        assert "testcar record" in lines[3]
        process.send_signal(signal.SIGINT)
        rest, errors = process.communicate(timeout=30)
    assert process.returncode == 0
    assert "ended after 0.0 s" in rest
    assert errors == ""


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--speed", "0"), "--speed must be above 0"),
        (("--speed", "fast"), "got 'fast'"),
        (("--seconds", "-3"), "seconds must be above 0"),
        (("--fault", "melt@1"), "unknown kind 'melt'"),
        (("--fault", "crc"), "is not understood"),
        (("--channels", "40"), "channels must be 1 to 16"),
        (("--rate", "0"), "sample rate"),
    ],
)
def test_feed_says_what_is_wrong(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    assert main(["feed", "--out", str(tmp_path / "feed"), *words]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1


def test_folder_that_cannot_be_made(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("x")
    assert main(["feed", "--out", str(tmp_path / "file" / "feed")]) == 2
    error = capsys.readouterr().err
    assert "file" in error
    assert error.count("\n") == 1


@pytest.mark.parametrize("content", [b"", b"text", b"\x89HDF\r\n\x1a\n" + bytes(200)])
def test_replay_of_what_is_no_run(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], content: bytes
) -> None:
    path = tmp_path / "run.h5"
    path.write_bytes(content)
    assert main(["replay", str(path), "--out", str(tmp_path / "again")]) == 2
    assert main(["replay", str(tmp_path / "none.h5")]) == 2
    error = capsys.readouterr().err
    assert "run.h5" in error
    assert "none.h5" in error
    assert error.count("\n") == 2


def test_a_reader_that_leaves_is_noticed(
    tmp_path: Path, connecting: Callable[[str], socket.socket], reading: Reading
) -> None:
    """A port that is closed loses its own frames; the others have all of theirs."""
    words = ("--out", str(tmp_path / "feed"), "--seconds", "4", "--speed", "4")
    with start("feed", "--json", *words) as process:
        ports = first_event(process)["ports"]
        leaver = connecting(ports.pop("clock"))
        got: dict[str, bytes] = {}
        thread = threading.Thread(target=lambda: got.update(reading(ports)))
        thread.start()
        assert leaver.recv(1) == b"$"
        leaver.close()
        thread.join(30.0)
        rest, _ = process.communicate(timeout=30)
    frames = json.loads(rest.splitlines()[-1])["frames"]
    assert frames["clock"]["unheard"] > 0
    assert len(got["wheel"]) == 24 * frames["wheel"]["sent"]
    assert frames["wheel"]["sent"] >= 399


def test_begins_unheard_when_told(tmp_path: Path) -> None:
    words = ("--out", str(tmp_path / "feed"), "--seconds", "2", "--speed", "20", "--wait", "0")
    with start("feed", "--json", *words) as process:
        rest, _ = process.communicate(timeout=30)
    assert process.returncode == 0
    ended = json.loads(rest.splitlines()[-1])
    assert ended["simulated_s"] == pytest.approx(2.0, abs=0.1)
    assert ended["frames"]["wheel"]["unheard"] == pytest.approx(200, abs=3)
