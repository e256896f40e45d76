"""Names that something foreign has: said before anything is made, with whose it is."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from recorder.acquisition.preparation.settings import RecordingError
from recorder.acquisition.preparation.taken_names import refuse_taken
from recorder.keeping.owner import journal_path_for

pytestmark = pytest.mark.skipif(os.name != "posix", reason="links and pipes as POSIX has them")

ENDINGS = (
    "", ".notes", ".journal", ".journal-wal", ".journal-shm", ".journal.lock",
    ".journal.ballast",
)  # fmt: skip


def a_dangling_link(path: Path) -> None:
    path.symlink_to(path.with_name("nothing there"))


def refused(out: Path) -> str:
    before = sorted(p.name for p in out.parent.iterdir())
    with pytest.raises(RecordingError) as caught:
        refuse_taken(out, journal_path_for(out))
    assert sorted(p.name for p in out.parent.iterdir()) == before
    words = str(caught.value)
    assert "\n" not in words
    return words


@pytest.mark.parametrize("ending", ENDINGS)
@pytest.mark.parametrize("squat", [a_dangling_link, Path.mkdir, os.mkfifo])
def test_what_is_no_file_of_ours_is_refused_by_name(
    squat: Callable[[Path], None], ending: str, tmp_path: Path
) -> None:
    place = tmp_path / f"run.h5{ending}"
    squat(place)
    words = refused(tmp_path / "run.h5")
    assert words.startswith(f"{place}: a ")
    assert words.endswith("have it taken away, or choose another name")


@pytest.mark.skipif(os.name != "posix" or os.geteuid() != 0, reason="only root can give files")
@pytest.mark.parametrize("ending", ENDINGS)
def test_a_file_of_somebody_else_is_refused_with_its_owner(ending: str, tmp_path: Path) -> None:
    place = tmp_path / f"run.h5{ending}"
    place.write_bytes(b"theirs")
    os.chown(place, 54321, -1)
    assert "it belongs to user number 54321" in refused(tmp_path / "run.h5")


def test_notes_and_logs_without_what_they_belong_to_are_refused(tmp_path: Path) -> None:
    (tmp_path / "run.h5.notes").write_bytes(b"x")
    assert "the notes of another run are there" in refused(tmp_path / "run.h5")
    (tmp_path / "run.h5.notes").rename(tmp_path / "run.h5.journal-wal")
    assert "the log of a journal that is not there" in refused(tmp_path / "run.h5")


def test_what_a_recording_left_that_was_cut_off_is_no_hindrance(tmp_path: Path) -> None:
    for ending in (".lock", ".ballast"):
        (tmp_path / f"run.h5.journal{ending}").write_bytes(b"x")
    refuse_taken(tmp_path / "run.h5", tmp_path / "run.h5.journal")
