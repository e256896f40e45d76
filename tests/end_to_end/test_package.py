"""Wheel and source distribution as they are built: the licence is in them, and the commit."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path
from typing import Final

import pytest

from recorder.machine.version import RELEASE, version
from recorder.report.pages.typeface import FOLDER

pytest.importorskip("hatchling", reason="builds the packages; comes with the extra 'test'")
pytestmark = pytest.mark.slow

ROOT: Final = Path(__file__).resolve().parents[2]
PACKAGES: Final = ("recorder", "drivers", "calibration", "simulated_feeds")
ASK: Final = "from recorder.machine.version import version; print(version())"
LICENCE: Final = "GNU GENERAL PUBLIC LICENSE"
TYPEFACE_LICENCE: Final = "SIL OPEN FONT LICENSE Version 1.1"


def build(source: Path, target: str, out: Path) -> Path:
    """Build one distribution with the back end itself: no pip, no network."""
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", target, "-d", str(out)],
        cwd=source,
        check=True,
        capture_output=True,
    )
    (built,) = out.iterdir()
    return built


def asked_in(folder: Path) -> str:
    """The version that the code in a folder tells of itself, whatever is installed here."""
    words = [sys.executable, "-S", "-c", ASK]
    return subprocess.run(
        words, cwd=folder, check=True, capture_output=True, text=True
    ).stdout.strip()


def unpacked(archive: Path, folder: Path) -> Path:
    """Files of our own making, laid out without asking which Python filters them how."""
    if archive.suffix != ".gz":
        with zipfile.ZipFile(archive) as held:
            held.extractall(folder)
        return folder
    with tarfile.open(archive) as tape:
        for member in tape.getmembers():
            if (file := tape.extractfile(member)) is not None:
                (folder / member.name).parent.mkdir(parents=True, exist_ok=True)
                (folder / member.name).write_bytes(file.read())
    return folder


def metadata_in(wheel: Path, field: str) -> str:
    with zipfile.ZipFile(wheel) as held:
        (name,) = (n for n in held.namelist() if n.endswith(".dist-info/METADATA"))
        lines = held.read(name).decode().splitlines()
    return next(line for line in lines if line.startswith(f"{field}: ")).partition(": ")[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(ROOT, "wheel", tmp_path_factory.mktemp("wheel"))


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The source distribution, unpacked."""
    built = build(ROOT, "sdist", tmp_path_factory.mktemp("sdist"))
    (folder,) = unpacked(built, tmp_path_factory.mktemp("source")).iterdir()
    return folder


def test_the_wheel_carries_the_licence(wheel: Path) -> None:
    assert metadata_in(wheel, "License-Expression") == "GPL-3.0-or-later AND OFL-1.1"
    with zipfile.ZipFile(wheel) as held:
        texts = [held.read(n).decode() for n in held.namelist() if "/licenses/" in n]
    assert [LICENCE in text for text in texts].count(True) == 1
    assert [TYPEFACE_LICENCE in text for text in texts].count(True) == 1


def test_the_wheel_carries_the_typeface(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as held:
        fonts = {Path(n).name: held.read(n) for n in held.namelist() if n.endswith(".ttf")}
    assert fonts == {path.name: path.read_bytes() for path in FOLDER.glob("*.ttf")}
    assert len(fonts) == 3


def test_the_source_distribution_carries_the_licence(source: Path) -> None:
    assert LICENCE in (source / ".licenses/GPL-3.0-or-later.txt").read_text("utf-8")


def test_the_wheel_knows_its_commit(wheel: Path, tmp_path: Path) -> None:
    assert metadata_in(wheel, "Version") == version()
    assert asked_in(unpacked(wheel, tmp_path)) == version()


def test_so_does_a_wheel_made_of_the_source_distribution(source: Path, tmp_path: Path) -> None:
    assert asked_in(source) == version()
    assert metadata_in(build(source, "wheel", tmp_path), "Version") == version()


def test_a_plain_copy_is_built_and_says_that_nobody_knows(tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    for name in (*PACKAGES, ".licenses"):
        shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, copy)
    assert asked_in(copy) == f"{RELEASE}+unknown"
    built = build(copy, "wheel", tmp_path / "built")
    assert metadata_in(built, "Version") == f"{RELEASE}+unknown"


@pytest.mark.skipif(not (ROOT / ".git").exists(), reason="a copy without its repository")
def test_an_archive_of_a_commit_knows_it(tmp_path: Path) -> None:
    made = subprocess.run(
        ["git", "-c", "safe.directory=*", "archive", "--format=zip", "HEAD"],
        cwd=ROOT,
        check=True,
        capture_output=True,
    ).stdout
    (tmp_path / "a.zip").write_bytes(made)
    copy = unpacked(tmp_path / "a.zip", tmp_path / "a")
    assert asked_in(copy) == version().removesuffix(".dirty")
