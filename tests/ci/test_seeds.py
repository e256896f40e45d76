"""Examples of property tests can be drawn again, from what the session printed."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Final

import pytest

pytestmark = pytest.mark.slow

CONFTEST: Final = Path(__file__).resolve().parents[1] / "conftest.py"
TEST: Final = """
from pathlib import Path
from hypothesis import given, strategies as st

DRAWN = Path(__file__).with_name("drawn.txt")

@given(st.integers())
def test_draws(number):
    with DRAWN.open("a") as file:
        print(number, file=file)

@given(st.integers())
def test_fails(number):
    assert number < 1000
"""


def session(folder: Path, *words: str, ci: str = "") -> tuple[str, str]:
    """What a session prints, and what its property test drew; nothing is kept between two."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    shutil.copy(CONFTEST, folder)
    (folder / "test_it.py").write_text(TEST)
    environment = {k: v for k, v in os.environ.items() if not k.startswith(("CI", "PYTEST"))}
    if ci:
        environment["CI"] = ci
    told = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *words, "."],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert told.returncode == 1, told.stdout + told.stderr
    return told.stdout, (folder / "drawn.txt").read_text()


def test_the_seed_printed_draws_the_same_again(tmp_path: Path) -> None:
    out, drawn = session(tmp_path / "first")
    (option,) = re.findall(r"^property tests: (--hypothesis-seed=\d+)$", out, re.MULTILINE)
    assert session(tmp_path / "second", option)[1] == drawn
    assert session(tmp_path / "third")[1] != drawn


def test_a_failure_prints_how_to_reproduce_it(tmp_path: Path) -> None:
    assert "@reproduce_failure(" in session(tmp_path / "first")[0]


def test_ci_draws_alike_every_time(tmp_path: Path) -> None:
    out, drawn = session(tmp_path / "first", ci="true")
    assert "property tests: drawn alike every time" in out
    assert session(tmp_path / "second", ci="true")[1] == drawn
