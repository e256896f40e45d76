"""The version tells the code's commit, whichever way the code came here."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from recorder.command_line.main import build_parser, main
from recorder.machine import version as module
from recorder.machine.version import RELEASE, software, version, version_of

needs_git = pytest.mark.skipif(shutil.which("git") is None, reason="no git here")


def git(folder: Path, *words: str) -> str:
    """Run git as somebody who has never set it up."""
    return subprocess.run(
        [
            "git",
            "-C",
            str(folder),
            "-c",
            "user.name=n",
            "-c",
            "user.email=e@example.org",
            *words,
        ],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.strip()


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    """A repository with one commit of one file."""
    folder = tmp_path / "checkout"
    folder.mkdir()
    git(folder, "init", "--quiet")
    (folder / "code.py").write_text("1\n")
    git(folder, "add", ".")
    git(folder, "commit", "--quiet", "-m", "first")
    return folder


def commit_of(folder: Path) -> str:
    return f"{RELEASE}+g{git(folder, 'rev-parse', 'HEAD')[:12]}"


@needs_git
class TestCheckout:
    """An editable install, or none at all: what is checked out now counts."""

    def test_names_its_commit(self, checkout: Path) -> None:
        assert version_of(checkout) == commit_of(checkout)

    def test_follows_the_commit_checked_out(self, checkout: Path) -> None:
        first = version_of(checkout)
        git(checkout, "commit", "--quiet", "--allow-empty", "-m", "second")
        assert version_of(checkout) == commit_of(checkout) != first

    def test_says_that_a_file_was_changed(self, checkout: Path) -> None:
        (checkout / "code.py").write_text("2\n")
        assert version_of(checkout) == commit_of(checkout) + ".dirty"

    def test_what_a_run_leaves_in_the_checkout_changes_nothing(self, checkout: Path) -> None:
        (checkout / "demo.h5").write_text("a run\n")
        assert version_of(checkout) == commit_of(checkout)

    def test_a_look_writes_nothing(self, checkout: Path) -> None:
        index = checkout / ".git/index"
        os.utime(checkout / "code.py", (1, 1))  # git would note the new time in its index
        before = index.read_bytes()
        version_of(checkout)
        assert index.read_bytes() == before

    def test_tags_and_depth_change_nothing(self, checkout: Path, tmp_path: Path) -> None:
        git(checkout, "tag", "-a", "v9", "-m", "nine")
        shallow = tmp_path / "shallow"
        git(
            tmp_path,
            "clone",
            "--quiet",
            "--depth=1",
            "--no-tags",
            f"file://{checkout}",
            "shallow",
        )
        assert version_of(shallow) == version_of(checkout) == commit_of(checkout)

    def test_a_work_tree_of_its_own(self, checkout: Path, tmp_path: Path) -> None:
        git(checkout, "worktree", "add", "--quiet", "-b", "other", str(tmp_path / "tree"))
        assert version_of(tmp_path / "tree") == commit_of(checkout)

    def test_a_repository_that_git_was_pointed_at_is_not_ours(
        self, checkout: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        other = tmp_path / "other"
        other.mkdir()
        git(other, "init", "--quiet")
        git(other, "commit", "--quiet", "--allow-empty", "-m", "other")
        wanted = commit_of(checkout)
        monkeypatch.setenv("GIT_DIR", str(other / ".git"))  # as in a hook of git's
        assert version_of(checkout) == wanted

    @pytest.mark.skipif(
        not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root gives files away"
    )
    def test_a_checkout_of_another_user(self, checkout: Path) -> None:
        wanted = commit_of(checkout)
        for path in (checkout, *checkout.rglob("*")):
            os.chown(path, 4321, 4321)
        assert version_of(checkout) == wanted

    def test_no_commit_yet(self, tmp_path: Path) -> None:
        git(tmp_path, "init", "--quiet")
        assert version_of(tmp_path) == f"{RELEASE}+unknown"

    def test_no_git_on_the_machine(
        self, checkout: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The commit it was installed from is not taken for the one checked out."""
        monkeypatch.setenv("PATH", "")
        assert version_of(checkout) == f"{RELEASE}+unknown"

    def test_git_does_not_answer(
        self, checkout: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        if os.name != "posix":
            pytest.skip("the stand-in for git is a shell script")
        stuck = tmp_path / "bin/git"
        stuck.parent.mkdir()
        stuck.write_text("#!/bin/sh\nread nothing </dev/zero\n")
        stuck.chmod(0o755)
        monkeypatch.setenv("PATH", f"{stuck.parent}{os.pathsep}{os.environ['PATH']}")
        monkeypatch.setattr(module, "GIT_LIMIT_S", 0.05)
        assert version_of(checkout) == f"{RELEASE}+unknown"


class TestCopies:
    """Without a repository: what the copy itself says, or that nobody knows."""

    def test_a_plain_copy(self, tmp_path: Path) -> None:
        assert version_of(tmp_path, "$Format:%H$") == f"{RELEASE}+unknown"

    def test_an_archive(self, tmp_path: Path) -> None:
        commit = "0123456789abcdef0123456789abcdef01234567"
        assert version_of(tmp_path, commit) == f"{RELEASE}+g0123456789ab"

    def test_a_source_distribution(self, tmp_path: Path) -> None:
        text = "Metadata-Version: 2.4\nName: testcar\nVersion: 7.0+gabc\n\nVersion: 8\n"
        (tmp_path / "PKG-INFO").write_text(text)
        assert version_of(tmp_path) == "7.0+gabc"

    @pytest.mark.parametrize(
        "data", [b"", b"Name: other\nVersion: 7.0\n", b"Name: testcar\n", b"\xff\xfe\x00"]
    )
    def test_metadata_that_is_not_ours(self, data: bytes, tmp_path: Path) -> None:
        (tmp_path / "PKG-INFO").write_bytes(data)
        assert version_of(tmp_path) == f"{RELEASE}+unknown"

    def test_an_installed_wheel(self, tmp_path: Path) -> None:
        lying_beside = tmp_path / "testcar-7.0+gabc.dist-info/METADATA"
        lying_beside.parent.mkdir()
        lying_beside.write_text("Metadata-Version: 2.4\nName: testcar\nVersion: 7.0+gabc\n")
        (tmp_path / ".git").mkdir()  # whoever keeps installed packages in git: not our commit
        assert version_of(tmp_path) == "7.0+gabc"


class TestThisCode:
    @pytest.fixture(autouse=True)
    def asked_anew(self) -> Iterator[None]:
        version.cache_clear()
        yield
        version.cache_clear()

    def test_is_a_version_that_packaging_knows(self) -> None:
        """PEP 440: release, development release, local part of letters and digits."""
        pattern = r"\d+\.\d+\.\d+(\.dev\d+)?\+(g[0-9a-f]{12,}(\.dirty)?|unknown)"
        assert re.fullmatch(pattern, version())
        assert software() == f"testcar {version()}"

    def test_is_asked_for_once(self, monkeypatch: pytest.MonkeyPatch) -> None:
        first = version()
        monkeypatch.setattr(module, "version_of", lambda *_: "another")
        assert version() == first

    def test_the_command_prints_it(self, capsys: pytest.CaptureFixture[str]) -> None:
        with pytest.raises(SystemExit) as ended:
            main(["--version"])
        assert ended.value.code == 0
        assert capsys.readouterr().out == f"{software()}\n"

    def test_no_start_waits_for_git(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(module, "version_of", lambda *_: pytest.fail("asked"))
        assert "--version" in build_parser().format_help()
