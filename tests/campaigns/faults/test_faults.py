"""A few seeded trials of the campaigns beside this file, and the disk that they cut.

The hundreds are tried by ``power_cuts.py``, ``kills.py`` and ``write_faults.py``.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from recorder.keeping.journal import Journal
from tests.campaigns.faults.disk import Cut, Disk
from tests.campaigns.faults.held import TOLD, missing
from tests.campaigns.faults.io_log import (
    Ack,
    Create,
    Op,
    Rename,
    Sync,
    Truncate,
    Unlink,
    Write,
    read_log,
)
from tests.campaigns.faults.jobs import JOURNAL, JobName
from tests.recorder.made_runs import made_run, mark

pytestmark = pytest.mark.skipif(os.name != "posix", reason="signals and names of POSIX")

FOLDER = Path("/run")
HERE = Path(__file__).parent
CUTS = 6


def disk_after(ops: list[Op], before: Path) -> Disk:
    """A disk that has taken all of them."""
    disk = Disk(before, FOLDER)
    for op in ops:
        disk.take(op)
    return disk


def left(disk: Disk, cut: Cut, place: Path, seed: int = 0) -> dict[str, bytes]:
    """Files after a cut."""
    place.mkdir()
    disk.leave(place, cut, random.Random(seed))
    return {path.name: path.read_bytes() for path in place.iterdir()}


SYNCED: list[Op] = [
    Create("/run/a"),
    Write("/run/a", 0, b"kept" * 1024),
    Sync("/run/a", 2),
    Sync("/run", 3),
]
"""A file whose name and first page are on the disk."""


@pytest.mark.parametrize("cut", list(Cut))
def test_what_was_synced_is_there_after_every_cut(tmp_path: Path, cut: Cut) -> None:
    (tmp_path / "before").mkdir()
    more: list[Op] = [Write("/run/a", 4096, b"more" * 4096), Create("/run/b")]
    files = left(disk_after([*SYNCED, *more], tmp_path / "before"), cut, tmp_path / "cut")
    assert files["a"][:4096] == b"kept" * 1024


def test_what_was_not_synced_may_be_gone_with_its_name(tmp_path: Path) -> None:
    (tmp_path / "before").mkdir()
    more: list[Op] = [Write("/run/a", 4096, b"more"), Rename("/run/a", "/run/b")]
    disk = disk_after([*SYNCED, *more], tmp_path / "before")
    assert left(disk, Cut.DROPPED, tmp_path / "1") == {"a": b"kept" * 1024}
    assert left(disk, Cut.KEPT, tmp_path / "2") == {"b": b"kept" * 1024 + b"more"}


def test_a_sync_covers_what_was_written_before_it_was_asked_for(tmp_path: Path) -> None:
    (tmp_path / "before").mkdir()
    late: list[Op] = [Write("/run/a", 0, b"late"), Sync("/run/a", 4)]
    disk = disk_after([*SYNCED, *late], tmp_path / "before")
    assert left(disk, Cut.DROPPED, tmp_path / "cut")["a"][:4] == b"kept"


def test_a_name_taken_away_comes_back_until_the_folder_is_synced(tmp_path: Path) -> None:
    (tmp_path / "before").mkdir()
    gone: list[Op] = [*SYNCED, Unlink("/run/a")]
    assert "a" in left(disk_after(gone, tmp_path / "before"), Cut.DROPPED, tmp_path / "1")
    gone.append(Sync("/run", len(gone)))
    assert not left(disk_after(gone, tmp_path / "before"), Cut.DROPPED, tmp_path / "2")


@pytest.mark.parametrize(("cut", "size"), [(Cut.TORN_512, 512), (Cut.TORN_4096, 4096)])
def test_a_torn_write_ends_at_a_sector(tmp_path: Path, cut: Cut, size: int) -> None:
    (tmp_path / "before").mkdir()
    disk = disk_after([*SYNCED, Write("/run/a", 4100, b"x" * 20_000)], tmp_path / "before")
    lengths = {len(left(disk, cut, tmp_path / f"{i}", i)["a"]) for i in range(30)}
    assert all(n in {4096, 24_100} or n % size == 0 for n in lengths)
    assert len(lengths) > 2


def hexed(text: str) -> str:
    return "".join(f"\\x{byte:02x}" for byte in text.encode())


def test_a_log_is_read_as_strace_writes_it(tmp_path: Path) -> None:
    """Threads whose calls are cut in two, writes without an offset, names below a handle."""
    a, b, acks = (hexed(f"/run/{name}") for name in ("a", "b", "../acks"))
    (tmp_path / "before").mkdir()
    log = tmp_path / "log"
    log.write_text(
        f'7 openat(AT_FDCWD<{hexed("/")}>, "{a}", O_WRONLY|O_CREAT|O_CLOEXEC, 0666) = 3<{a}>\n'
        f'7 write(3<{a}>, "{hexed("one")}", 3) = 3\n'
        f'7 write(3<{a}>, "{hexed("two")}", 3) = 2\n'
        f"8 fdatasync(3<{a}> <unfinished ...>\n"
        f'7 pwrite64(3<{a}>, "{hexed("x")}", 1, 100) = 1\n'
        f"8 <... fdatasync resumed>) = 0\n"
        f"7 ftruncate(3<{a}>, 50) = 0\n"
        f'7 write(4<{hexed("/acks")}>, "{hexed("mark 1")}\\x0a", 7) = 7\n'
        f'7 rename("{a}", "{b}") = 0\n'
        f'7 unlink("{hexed("/run/c")}") = -1 ENOENT (No such file or directory)\n'
        f"7 fsync(5<{hexed('/run')}>) = 0\n"
        f"7 +++ exited with 0 +++\n",
        encoding="ascii",
    )
    assert acks
    assert read_log(log, FOLDER, Path("/acks"), tmp_path / "before") == [
        Create("/run/a"),
        Write("/run/a", 0, b"one"),
        Write("/run/a", 3, b"tw"),
        Write("/run/a", 100, b"x"),
        Sync("/run/a", 3),
        Truncate("/run/a", 50),
        Ack("mark 1"),
        Rename("/run/a", "/run/b"),
        Sync("/run", 8),
    ]


# ---------------------------------------------------------------------- the product


def journal_log(place: Path) -> list[Op]:
    """A journal's commits as the log of its log: what each wrote, its sync, what was told."""
    place.mkdir()
    made, ops, told = made_run(2.0), list[Op](), dict[str, int]()
    journal = Journal.create(place / JOURNAL, made.header, ballast_bytes=4096)
    shutil.copytree(place, place.with_name("before"), ignore=shutil.ignore_patterns("*-shm"))
    wal = place / f"{JOURNAL}-wal"
    size = wal.stat().st_size

    def kept(write: Callable[[], None], lines: Callable[[], list[str]]) -> None:
        nonlocal size
        write()
        new = wal.read_bytes()[size:]
        path = str(FOLDER / wal.name)
        ops.append(Write(path, size, new))
        ops.append(Sync(path, len(ops)))
        ops.extend(Ack(line) for line in lines())
        size += len(new)

    for i, blocks in enumerate(made.commits(16)):
        for block in blocks:
            told[block.device] = told.get(block.device, 0) + len(block.records)
        kept(
            lambda blocks=blocks: journal.append(blocks),  # type: ignore[misc]  # bound now
            lambda: [f"records {device} {n}" for device, n in told.items()],
        )
        keyed = mark(i / 10.0)
        kept(
            lambda keyed=keyed: journal.commit_mark(keyed),  # type: ignore[misc]  # bound now
            lambda keyed=keyed: [f"mark {keyed.mark_id} {keyed.revision}"],  # type: ignore[misc]  # bound now
        )
    journal.close()
    return ops


@pytest.mark.slow
def test_after_a_power_cut_every_commit_and_mark_acknowledged_is_recovered(
    tmp_path: Path,
) -> None:
    ops = journal_log(tmp_path / "run")
    chance = random.Random(7)
    for i in range(CUTS):
        instant = chance.randint(0, len(ops))
        disk = Disk(tmp_path / "before", FOLDER)
        for op in ops[:instant]:
            disk.take(op)
        place = tmp_path / f"cut-{i}"
        place.mkdir()
        cut = list(Cut)[i % len(Cut)]
        disk.leave(place, cut, chance)
        found = missing(JobName.RECORD, place, disk.acks, 7)
        assert [x for x in found if not x.startswith(TOLD)] == [], f"{cut} at {instant}"


def campaign(name: str, *words: str) -> str:
    """One of the scripts, in a process of its own; what it printed."""
    root = HERE.parents[2]
    told = subprocess.run(
        [sys.executable, str(HERE / name), *words],
        env={**os.environ, "PYTHONPATH": str(root)},
        capture_output=True, text=True, check=False, cwd=root, timeout=120.0,
    )  # fmt: skip
    assert told.returncode == 0, told.stdout + told.stderr
    return told.stdout


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("cc") is None, reason="needs a C compiler")
def test_writes_that_fail_lose_nothing_acknowledged() -> None:
    told = campaign("write_faults.py", "--number", "6", "--job", "bench")
    (total,) = [line for line in told.splitlines() if line.startswith("all ")]
    assert total.split()[1:] == ["6", "6", "0", "0"]
