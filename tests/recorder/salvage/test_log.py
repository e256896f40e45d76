"""Frames of a log, held against the log that SQLite itself writes and reads."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from recorder.salvage.log import FRAME_HEAD, LOG_HEAD, Log, read_log
from recorder.salvage.page_file import PageFile

PAGE = 1024
FRAME = PAGE + FRAME_HEAD


@pytest.fixture
def left(tmp_path: Path) -> Path:
    """A log of six commits, as a killed program leaves it."""
    path = tmp_path / "base"
    writer = sqlite3.connect(path, isolation_level=None)
    writer.execute(f"PRAGMA page_size={PAGE}")
    writer.execute("PRAGMA journal_mode=WAL")
    writer.execute("PRAGMA wal_autocheckpoint=0")
    writer.execute("CREATE TABLE t (id INTEGER PRIMARY KEY, text TEXT)")
    for i in range(5):
        writer.execute("INSERT INTO t VALUES (?, ?)", (i + 1, f"{i}" * 900))
    for end in ("", "-wal"):
        (tmp_path / f"left{end}").write_bytes((tmp_path / f"base{end}").read_bytes())
    writer.close()
    return tmp_path / "left"


def judged(path: Path) -> Log:
    with PageFile(path.with_name(path.name + "-wal"), FRAME, head=LOG_HEAD) as file:
        return read_log(file)


def with_log(left: Path, data: bytes) -> Path:
    left.with_name("left-wal").write_bytes(data)
    return left


def test_all_frames_of_a_log_that_sqlite_wrote_agree(left: Path) -> None:
    log = judged(left)
    n = (left.with_name("left-wal").stat().st_size - LOG_HEAD) // FRAME
    assert n > 8
    assert (log.sound, log.end, log.committed, log.bad, log.broken) == (n, n, n, [], False)


def test_a_bit_in_a_frame_is_of_that_frame_alone(left: Path) -> None:
    """But for the sum, from which the next frame goes on: that one cannot be told either."""
    data = left.with_name("left-wal").read_bytes()
    n = (len(data) - LOG_HEAD) // FRAME
    for frame in range(n):
        for at, hit in ((2, 1), (5, 1), (10, 1), (18, 2), (FRAME_HEAD, 1), (FRAME - 1, 1)):
            torn = bytearray(data)
            torn[LOG_HEAD + frame * FRAME + at] ^= 0x10
            log = judged(with_log(left, bytes(torn)))
            assert log.bad == list(range(frame, min(frame + hit, n))), (frame, at)
            assert (log.end, log.committed) == (n, n), (frame, at)
            assert log.sound <= frame


def test_a_bit_in_the_head_of_the_log_costs_no_frame(left: Path) -> None:
    data = left.with_name("left-wal").read_bytes()
    n = (len(data) - LOG_HEAD) // FRAME
    for at in (0, 5, 13, 17, 22, 25, 31):
        torn = bytearray(data)
        torn[at] ^= 0x10
        log = judged(with_log(left, bytes(torn)))
        assert (log.header_bad, log.end, log.sound) == (True, n, 0), at
        assert log.bad == [], at


def test_what_an_unfinished_commit_wrote_is_not_counted(left: Path) -> None:
    """The last frame of a commit carries the size of the base; without it nothing is committed."""
    data = left.with_name("left-wal").read_bytes()
    whole = judged(left)
    log = judged(with_log(left, data[:-FRAME]))
    assert log.end == whole.end - 1
    assert log.committed == log.sound < log.end
    assert log.bad == []


def test_a_log_that_was_begun_anew_ends_where_the_new_one_does(left: Path) -> None:
    writer = sqlite3.connect(left, isolation_level=None)
    writer.execute("PRAGMA wal_autocheckpoint=0")
    writer.execute("PRAGMA wal_checkpoint(RESTART)")
    writer.execute("INSERT INTO t VALUES (9, 'new')")
    log = judged(left)
    n = (left.with_name("left-wal").stat().st_size - LOG_HEAD) // FRAME
    writer.close()
    assert 0 < log.end < n
    assert (log.sound, log.bad) == (log.end, [])
