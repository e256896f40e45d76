"""Each house rule finds its offence, and leaves alone what keeps it."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Final

import pytest

ROOT: Final = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def rules() -> Iterator[ModuleType]:
    """The script, loaded by its place: it is no package's."""
    spec = importlib.util.spec_from_file_location("house_rules", ROOT / ".ci/house_rules.py")
    assert spec is not None
    assert spec.loader is not None
    loaded = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = loaded  # its dataclass looks itself up there
    spec.loader.exec_module(loaded)
    yield loaded
    del sys.modules[spec.name]


def offences(rules: ModuleType, root: Path, files: dict[str, str]) -> list[str]:
    """What is found in a tree of files, given by their paths without ``.py``."""
    for name, text in files.items():
        path = root / f"{name}.py"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    found: list[str] = rules.offences(root)
    return found


TYPING: Final = "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    "


def test_a_circle_at_the_top(rules: ModuleType, tmp_path: Path) -> None:
    a, b, c = "from drivers.b import x", "import drivers.c", "from drivers import a"
    (found,) = offences(rules, tmp_path, {"drivers/a": a, "drivers/b": b, "drivers/c": c})
    assert found.startswith("drivers/a.py: import circle: drivers.a > drivers.b > drivers.c >")


def test_a_circle_through_a_function(rules: ModuleType, tmp_path: Path) -> None:
    b = "def f():\n    from drivers.a import y  # slow to import\n"
    (found,) = offences(rules, tmp_path, {"drivers/a": "import drivers.b", "drivers/b": b})
    assert "import circle: drivers.a > drivers.b > drivers.a" in found


def test_a_circle_of_the_type_checker_alone_says_so(rules: ModuleType, tmp_path: Path) -> None:
    b = TYPING + "from drivers.a import y"
    (found,) = offences(rules, tmp_path, {"drivers/a": "import drivers.b", "drivers/b": b})
    assert "import circle for the type checker: drivers.a > drivers.b > drivers.a" in found


def test_two_ways_to_one_module_are_no_circle(rules: ModuleType, tmp_path: Path) -> None:
    a = "import drivers.b\nimport drivers.c\nimport os"
    files = {"drivers/a": a, "drivers/b": "import drivers.c", "drivers/c": ""}
    assert not offences(rules, tmp_path, files)


@pytest.mark.parametrize("folder", ["calibration", "tests"])
def test_a_module_of_400_lines_is_long_enough(
    folder: str, rules: ModuleType, tmp_path: Path
) -> None:
    files = {f"{folder}/a": "1\n" * 400, f"{folder}/b": "1\n" * 401}
    (found,) = offences(rules, tmp_path, files)
    assert found == f"{folder}/b.py: 401 lines; at most 400 in a module"


def test_a_function_of_40_lines_of_code_is_long_enough(
    rules: ModuleType, tmp_path: Path
) -> None:
    docstring = '    """One\n\n    three.\n    """\n'
    kept = "@first\n@second\ndef kept():\n" + docstring + "    1\n" * 39
    long = "async def long():\n" + docstring + "    1\n" * 40
    (found,) = offences(rules, tmp_path, {"drivers/a": kept + long})
    assert found.startswith("drivers/a.py:47: long has 41 lines of code;")


def test_a_folder_of_12_modules_is_full(rules: ModuleType, tmp_path: Path) -> None:
    verbs = {f"recorder/command_line/verbs/m{i}": "" for i in range(13)}
    full = {f"drivers/{name}": "" for name in ["__init__", *(f"m{i}" for i in range(12))]}
    assert not offences(rules, tmp_path, verbs | full)
    (found,) = offences(rules, tmp_path, {"drivers/m12": ""})
    assert found == "drivers: 13 modules; at most 12 in a folder"


def test_nothing_but_the_door_lies_beside_rooms(rules: ModuleType, tmp_path: Path) -> None:
    kept = ["calibration/__init__", "calibration/main", "calibration/room/a"]
    names = [*kept, "calibration/left", "tests/conftest", "tests/room/a"]
    (found,) = offences(rules, tmp_path, dict.fromkeys(names, ""))
    assert found.startswith("calibration/left.py: lies beside the sub-rooms of calibration")


def test_an_import_inside_a_function_says_why(rules: ModuleType, tmp_path: Path) -> None:
    text = (
        "def f():\n"
        "    # Slow to import.\n"
        "    import one\n"
        "    import one_more\n"
        "    from two import (\n"
        "        three,  # Windows only\n"
        "    )\n"
        "    four = 4\n"
        "    import five\n"
    )
    (found,) = offences(rules, tmp_path, {"drivers/a": text, "tests/a": text})
    assert found.startswith("drivers/a.py:9: an import inside a function says why")
