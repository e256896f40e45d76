"""One demo run for all tests of the main job: real ports, real processes."""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from recorder.machine.child_process import child_environment, python_command
from tests.end_to_end.lying import LIES, LyingRuns

MAIN = "recorder.command_line.main"
SECONDS = 22.0


def command(*words: str | Path, timeout_s: float = 120.0) -> subprocess.CompletedProcess[str]:
    """Run the command as a person would, in a process of its own."""
    return subprocess.run(
        python_command(MAIN, *words),
        env=child_environment(),
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
        stdin=subprocess.DEVNULL,
    )


def start_command(*words: str | Path) -> subprocess.Popen[str]:
    """Start the command and leave it running."""
    return subprocess.Popen(
        python_command(MAIN, *words),
        env=child_environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        stdin=subprocess.DEVNULL,
    )


def one_line(told: subprocess.CompletedProcess[str]) -> str:
    """What a refused command said: one line, no traceback."""
    lines = [line for line in told.stderr.splitlines() if line.strip()]
    assert len(lines) == 1, told.stderr
    assert "Traceback" not in told.stderr
    assert "internal error" not in told.stderr
    return lines[0]


@dataclass(frozen=True)
class Demo:
    """The demo's folder and its truth."""

    folder: Path
    truth: np.ndarray
    output: str

    @property
    def run(self) -> Path:
        return self.folder / "run.h5"


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    """``testcar demo --headless``, once."""
    folder = tmp_path_factory.mktemp("demo") / "out"
    told = command(
        "demo", "--headless", "--seconds", f"{SECONDS}", "--seed", "7", "--out", folder
    )
    assert told.returncode == 0, told.stderr
    truth = np.genfromtxt(
        folder / "truth.csv", delimiter=",", names=True, dtype=None, encoding="utf-8"
    )
    return Demo(folder, truth, told.stdout)


@pytest.fixture(scope="session")
def lying(tmp_path_factory: pytest.TempPathFactory) -> LyingRuns:
    """Sealed runs by the name of their lie."""
    return LyingRuns(tmp_path_factory.mktemp("lying"), LIES)
