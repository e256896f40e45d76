"""What README promises when something goes wrong: each row names the test that holds it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
HEAD = "| When | Lost at most | Known by | Whole again by | Held by |"


def promises() -> list[list[str]]:
    """The cells of every row of the table."""
    rows = README.split(HEAD + "\n", 1)[1].split("\n\n", 1)[0].splitlines()[1:]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows]


@pytest.fixture(scope="module")
def tests_there() -> set[str]:
    """Every test by its name."""
    return {
        name
        for path in (ROOT / "tests").rglob("test_*.py")
        for name in re.findall(r"^\s*def (test_\w+)\(", path.read_text("utf-8"), re.M)
    }


def test_every_promise_is_whole() -> None:
    assert len(promises()) > 10
    for row in promises():
        assert len(row) == 5, row
        assert all(row), row


def test_every_promise_is_held_by_a_test(tests_there: set[str]) -> None:
    for *_, test in promises():
        assert test.strip("`") in tests_there, test
