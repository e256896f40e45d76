"""Whatever lies in the crew's current folder, none of it is ever imported by a process of ours."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from recorder.machine.child_process import child_environment
from recorder.run_file.seal.verify import verify_run
from simulated_feeds.serving.serving import start_feed

pytestmark = pytest.mark.slow
HOME = str(Path(__file__).parents[2])

STRAYS = (
    *("calibration", "drivers", "recorder", "simulated_feeds"),
    *("h5py", "numpy", "scipy", "serial", "PyQt6", "pyqtgraph", "typst", "platformdirs"),
    *(
        "queue",
        "socket",
        "signal",
        "json",
        "pickle",
        "struct",
        "random",
        "secrets",
        "statistics",
    ),
)
"""Ours, what we depend on, and the Python library's own."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder full of files with the names of modules; importing one would end the process."""
    crew = tmp_path / "crew"
    crew.mkdir()
    for name in STRAYS:
        (crew / f"{name}.py").write_text(
            f"raise SystemExit('the crew\\'s {name}.py was imported')\n", "utf-8"
        )
    return crew


def run_testcar(folder: Path, *words: str) -> None:
    """The installed command, run by a crew that stands in this folder."""
    installed = folder.with_name("bin") / "testcar"
    installed.parent.mkdir(exist_ok=True)
    # As the installed command is: a file of its own, away from where the crew stands.
    installed.write_text("from recorder.command_line.main import run\nrun()\n", "utf-8")
    done = subprocess.run(
        [sys.executable, installed, *words],
        cwd=folder,
        env={**child_environment(), "PYTHONPATH": HOME, "PYTHONSAFEPATH": ""},
        capture_output=True,
        text=True,
        timeout=120.0,
        check=False,
    )
    assert "was imported" not in done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    assert "Warning" not in done.stderr
    assert done.returncode == 0, done.stderr


def test_a_demo_in_a_folder_of_strays(folder: Path) -> None:
    """Feed, recording, filer and window, all as children of the installed command."""
    run_testcar(folder, "demo", "--headless", "--seconds", "6", "--out", "out")
    run = folder / "out" / "run.h5"
    assert verify_run(run) == []
    assert (folder / "out" / "window.png").exists()
    assert not run.with_name("run.h5.journal").exists()


def test_a_recording_in_a_folder_of_strays(folder: Path) -> None:
    """In the command's own process: its rings are minded by a helper of Python's own."""
    with start_feed(folder / "feed", seed=2, seconds=20.0) as feed:
        sheets = (str(feed.sheets["car"]), str(feed.sheets["trip"]))
        run_testcar(
            folder, "record", *sheets, "--out", "run.h5", "--headless", "--seconds", "1.5",
            "--zero-seconds", "0",
        )  # fmt: skip
    assert verify_run(folder / "run.h5") == []


def test_the_path_for_children_holds_no_place_of_the_crew(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever the crew's own PYTHONPATH says, relative or not."""
    monkeypatch.chdir(folder)
    given = ["", ".", "tools", str(folder), "/opt/lib"]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(given))
    assert child_environment()["PYTHONPATH"] == "/opt/lib"
    monkeypatch.setenv("PYTHONPATH", os.pathsep)
    assert "PYTHONPATH" not in child_environment()
