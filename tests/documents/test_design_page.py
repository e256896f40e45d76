"""DEVELOPERS.md says what is there: every room, and every function of the five roads."""

from __future__ import annotations

import ast
import importlib
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PACKAGES = ("calibration", "drivers", "recorder", "simulated_feeds")
STEP = re.compile(r"^\s*\d+\. `([\w.]+):([\w.]+)`", re.MULTILINE)


def rooms() -> list[str]:
    """Every folder of ours that holds modules, as a dotted name."""
    found = [init.parent for name in PACKAGES for init in (ROOT / name).rglob("__init__.py")]
    return sorted(".".join(folder.relative_to(ROOT).parts) for folder in found)


def roads() -> dict[str, list[tuple[str, str]]]:
    """Heading → (module, name) of each step, of the section on roads."""
    section = PAGE.split("\n## The five roads\n")[1].split("\n## ")[0]
    parts = re.split(r"^### (.+)$", section, flags=re.MULTILINE)[1:]
    return {
        heading: STEP.findall(text)
        for heading, text in zip(parts[::2], parts[1::2], strict=True)
    }


@pytest.mark.parametrize("room", rooms())
def test_every_room_stands_on_the_page_in_its_own_words(room: str) -> None:
    init = ROOT.joinpath(*room.split("."), "__init__.py").read_text(encoding="utf-8")
    words = ast.get_docstring(ast.parse(init))
    assert words, f"{room} does not say what is in it"
    folded = " ".join(PAGE.split())
    assert " ".join(words.splitlines()[0].split()) in folded, f"{room}: not in DEVELOPERS.md"
    assert f"`{room}`" in PAGE


def test_the_roads_are_the_five_the_page_promises() -> None:
    assert set(roads()) == {
        "From byte to file",
        "From key to file",
        "From run to verdict",
        "From readings to certificate",
        "From sheet to open driver",
    }


@pytest.mark.parametrize(
    ("module", "name"), [step for steps in roads().values() for step in steps]
)
def test_every_step_of_a_road_is_there(module: str, name: str) -> None:
    found: object = importlib.import_module(module)
    for part in name.split("."):
        found = getattr(found, part)
    assert callable(found)


@pytest.mark.parametrize("road", roads())
def test_a_road_has_steps(road: str) -> None:
    assert len(roads()[road]) >= 3
