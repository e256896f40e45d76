"""``testcar record`` at the command line: checks, one-line errors, exit codes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from recorder.command_line.main import main
from recorder.machine.child_process import child_environment, python_command
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.full_pipe import full_pipe

if TYPE_CHECKING:
    from tests.recorder.acquisition.conftest import FakeCell

Sheets = tuple[Path, Path]


def one_line(captured: pytest.CaptureFixture[str]) -> str:
    (line,) = captured.readouterr().err.strip().splitlines()
    assert line.startswith("testcar record: ")
    return line


def test_check_says_what_would_be_recorded_and_records_nothing(
    tmp_path: Path, make_sheets: Callable[..., Sheets], capsys: pytest.CaptureFixture[str]
) -> None:
    car, trip = make_sheets(tmp_path, "tcp://127.0.0.1:1")
    before = set(tmp_path.iterdir())
    for words in ([str(car)], [str(car), str(trip)]):
        assert main(["record", "--check", *words]) == 0
        told = capsys.readouterr().out
        assert "channel pull: pull in kN from ch0 by certificate BENCH-7" in told
    assert main(["record", "--check", str(trip)]) == 0
    assert "trip: Trial" in capsys.readouterr().out
    assert main(["record", "--check", "--json", str(car), str(trip)]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["devices"][0]["channels"][0]["name"] == "pull"
    assert answer["trip"] == "Trial"
    assert set(tmp_path.iterdir()) == before


def test_check_tells_every_problem_in_a_line_of_its_own(
    tmp_path: Path, make_sheets: Callable[..., Sheets], capsys: pytest.CaptureFixture[str]
) -> None:
    car, trip = make_sheets(tmp_path, "tcp://127.0.0.1:1")
    car.write_text(car.read_text("utf-8").replace("quantity =", "quantty ="), "utf-8")
    trip.write_text(trip.read_text("utf-8").replace("planned_hours", "planed_hours"), "utf-8")
    assert main(["record", "--check", str(car), str(trip)]) == 2
    lines = capsys.readouterr().err.strip().splitlines()
    assert any("car.toml [devices.drawbar.channels.ch0]" in line for line in lines)
    assert any("did you mean 'planned_hours'" in line for line in lines)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["{car}"], "give a car sheet and a trip sheet, got 1 file"),
        (["{car}", "{trip}"], "give the run file to make with --out RUN.h5"),
        (["{car}", "none.toml", "--out", "{out}"], "none.toml: No such file"),
        (["{car}", "{trip}", "--out", "{out}", "--seconds", "-1"], "seconds must be from 0"),
        (["{car}", "{trip}", "--out", "{out}"], "nothing answers at tcp://127.0.0.1:1"),
        (["--check", "{car}", "{trip}", "{car}"], "got 3 files"),
        (["--check", "{certificate}"], "not TOML"),
    ],
)
def test_wrong_use_is_one_line_and_exit_code_2(
    tmp_path: Path,
    make_sheets: Callable[..., Sheets],
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    told: str,
) -> None:
    car, trip = make_sheets(tmp_path, "tcp://127.0.0.1:1")
    names: dict[str, Any] = {
        "car": car,
        "trip": trip,
        "out": tmp_path / "run.h5",
        "certificate": tmp_path / "cell.json",
    }
    filled = [word.format(**names) for word in words]
    assert main(["record", "--headless", *filled]) == 2
    assert told in one_line(capsys)
    assert not (tmp_path / "run.h5").exists()


@pytest.mark.slow
def test_headless(
    tmp_path: Path,
    cell: FakeCell,
    make_sheets: Callable[..., Sheets],
    capsys: pytest.CaptureFixture[str],
) -> None:
    car, trip = make_sheets(tmp_path, cell.port)
    out = tmp_path / "run.h5"
    words = ["record", str(car), str(trip), "--out", str(out), "--headless", "--seconds", "0.5"]
    assert main([*words, "--json"]) == 0
    captured = capsys.readouterr()
    answer = json.loads(captured.out)
    assert answer["sealed"]
    assert answer["exit_code"] == 0
    assert "recording to" in captured.err
    with open_run(out) as run:
        assert run.complete
        # How many half a second brings is the machine's affair: told is what was kept.
        assert answer["records"]["drawbar"] == len(run.channels["pull"].counts()) > 0
    assert main(words) == 2
    assert "never overwritten" in one_line(capsys)


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="pipes that are full, as POSIX has them")
def test_a_terminal_that_takes_no_line_holds_up_neither_recording_nor_stop(
    tmp_path: Path, make_sheets: Callable[..., Sheets], cell: FakeCell
) -> None:
    """As one stopped by Ctrl-S, or at the far end of a line that hangs."""
    out = tmp_path / "run.h5"
    words = (*make_sheets(tmp_path, cell.port), "--out", out, "--headless")
    command = python_command("recorder.command_line.main", "record", *words)
    unread, stalled = full_pipe()
    with subprocess.Popen(command, stderr=stalled, env=child_environment()) as recording:
        try:
            cell.wait_for(4000)
            cell.refuse.set()
            cell.wait_for(1000)
            cell.refuse.clear()
            cell.wait_for(10_000)  # a port that is lost is tried again within two seconds
            # Not the interrupt: a shell that runs its jobs in the background has that ignored.
            recording.send_signal(signal.SIGTERM)
            assert recording.wait(60.0) == 0
        finally:
            recording.kill()
            os.close(stalled)
            os.close(unread)
    with open_run(out) as run:
        gap = run.gaps("drawbar")[-1]
        assert run.duration_s > gap.t_end_s + 0.5
        assert run.devices["drawbar"].n > 6000
