"""The session on disk: durable, unchangeable, refused when damaged."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.bench.plan import make_plan
from calibration.bench.session import BenchSession
from calibration.bench.session_file import BenchError, BenchStore, TakenReading
from calibration.readings.bench_settings import BenchSettings
from tests.calibration.bench.made_bench import Bench

_CHILD = """
import os, sys
from calibration.bench.session import BenchSession
session = BenchSession.open(sys.argv[1])
for value in (4001000.0, 4001010.0):
    session.type_reading(value)
    print("taken", flush=True)
sys.stdin.readline()
"""


def test_killed_at_once_after_a_reading_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "k.bench"
    BenchSession.create(
        path, settings=BenchSettings(capacity_kN=500.0), plan=make_plan(capacity_kN=500.0)
    ).close()
    root = Path(__file__).parents[3]
    with subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(path)], stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, cwd=root, text=True,
        env={**os.environ, "PYTHONPATH": str(root)},
    ) as child:  # fmt: skip
        assert child.stdout is not None
        assert child.stdout.readline() == "taken\n"
        assert child.stdout.readline() == "taken\n"
        with pytest.raises(BenchError, match="in use"):
            BenchSession.open(path)
        child.kill()
    with BenchSession.open(path) as session:
        assert [r.mean for r in session.taken] == [4001000.0, 4001010.0]


def test_nothing_taken_can_be_changed_or_thrown_away(bench: Bench) -> None:
    bench.take()
    bench.session.note("note", "rain on the roof")
    bench.session.close()
    connection = sqlite3.connect(bench.session.path)
    for statement in (
        "DELETE FROM readings", "UPDATE readings SET body = ''",
        "DELETE FROM events", "UPDATE events SET text = ''",
    ):  # fmt: skip
        with pytest.raises(sqlite3.IntegrityError, match="never"):
            connection.execute(statement)
    connection.close()


def test_files_that_are_no_session_are_refused(tmp_path: Path, bench: Bench) -> None:
    bench.take()
    bench.session.close()
    good = bench.session.path.read_bytes()
    with pytest.raises(BenchError, match="exists already"):
        BenchSession.create(
            bench.session.path, settings=BenchSettings(), plan=make_plan(capacity_kN=1.0)
        )
    with pytest.raises(BenchError, match="no such bench session"):
        BenchSession.open(tmp_path / "none.bench")
    with pytest.raises(BenchError, match="no folder"):
        BenchSession.create(
            tmp_path / "a" / "b", settings=BenchSettings(), plan=make_plan(capacity_kN=1.0)
        )
    for i, data in enumerate((b"", b"not a database at all" * 50, good[:100], b"\0" * 5000)):
        path = tmp_path / f"bad{i}.bench"
        path.write_bytes(data)
        with pytest.raises(BenchError):
            BenchSession.open(path)


@given(st.integers(0, 40_000), st.binary(min_size=1, max_size=64))
@settings(max_examples=25, deadline=None)
def test_a_damaged_session_opens_or_is_refused(
    tmp_path_factory: pytest.TempPathFactory, at: int, junk: bytes
) -> None:
    folder = tmp_path_factory.mktemp("damaged")
    path = folder / "d.bench"
    with BenchSession.create(
        path, settings=BenchSettings(capacity_kN=9.0), plan=make_plan(capacity_kN=9.0, steps=3)
    ) as session:
        session.type_reading(9000.0)
    data = bytearray(path.read_bytes())
    at %= len(data)
    data[at : at + len(junk)] = junk
    path.write_bytes(bytes(data))
    # Anything but BenchError fails the test.
    with contextlib.suppress(BenchError), BenchSession.open(path) as session:
        assert len(session.taken) <= 1


def test_a_full_disk_is_reported_and_the_reading_can_be_taken_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(self: BenchStore, reading: TakenReading) -> None:
        del reading
        msg = f"{self.path}: not written (database or disk is full); free the disk"
        raise BenchError(msg)

    with monkeypatch.context() as patch:
        patch.setattr(BenchStore, "add_reading", full)
        with pytest.raises(BenchError, match="disk is full"):
            bench.take()
    assert bench.session.taken == ()
    assert bench.take().number == 1


def test_a_place_that_cannot_hold_a_session_is_refused(tmp_path: Path) -> None:
    """The name is free, but where it leads to there is no folder."""
    place = tmp_path / "cell.bench"
    place.symlink_to(tmp_path / "gone" / "cell.bench")
    with pytest.raises(BenchError, match="cannot be opened"):
        BenchStore.create(place, {})
