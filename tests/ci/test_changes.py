"""Every note of a change will be found when they are gathered."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).resolve().parents[2]
NOTES: Final = sorted(p for p in (ROOT / ".ci/changes").iterdir() if p.name != "README.md")


def test_each_note_has_a_slug_and_a_known_kind() -> None:
    """The tool that gathers them passes over what it does not know, and says nothing."""
    configuration = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    kinds = "|".join(kind["directory"] for kind in configuration["tool"]["towncrier"]["type"])
    wrong = [p.name for p in NOTES if not re.fullmatch(rf"\+[a-z0-9-]+\.({kinds})\.md", p.name)]
    assert wrong == []


def test_each_note_says_something_in_few_words() -> None:
    wrong = [p.name for p in NOTES if not 20 <= len(p.read_text("utf-8").strip()) <= 500]
    assert wrong == []
