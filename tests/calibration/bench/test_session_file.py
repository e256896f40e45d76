"""The session on disk: durable, unchangeable, refused when damaged."""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.bench.bench_reading import BenchError
from calibration.bench.plan import make_plan
from calibration.bench.session import BenchSession
from calibration.bench.session_facts import SessionFacts
from calibration.bench.session_file import BenchStore
from calibration.readings.bench_settings import BenchSettings
from tests.calibration.bench.made_bench import Bench
from tests.calibration.files.hostile_journal import journal_naming

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


def test_a_disk_that_takes_no_more_is_reported_and_the_reading_can_be_taken_again(
    bench: Bench,
) -> None:
    resource = pytest.importorskip("resource", reason="limits as POSIX has them")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1, hard))
    try:
        with pytest.raises(BenchError, match="not written") as refused:
            bench.take()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert "free the disk and take it again" in str(refused.value)
    assert bench.session.taken == ()
    assert bench.take().number == 1


def test_a_place_that_cannot_hold_a_session_is_refused(tmp_path: Path) -> None:
    """The name is free, but where it leads to there is no folder."""
    place = tmp_path / "cell.bench"
    place.symlink_to(tmp_path / "gone" / "cell.bench")
    with pytest.raises(BenchError, match="cannot be opened"):
        BenchStore.create(place, {})


OLD_READING = {
    "number": 1, "step": 1, "applied_kN": 500.0, "applied_by": "plan", "applied_sd_kN": None,
    "mean": 4001000.0, "sd": 30.0, "n": 100, "seconds": 2.0, "stable": True,
    "stability": "stable", "temperature_C": None, "utc": "2026-05-04T08:00:02+00:00",
    "time_s": 2.0, "repeat_of": None, "reason": "",
}  # fmt: skip


def old_session(path: Path, **changes: object) -> None:
    """A session as they were before it was kept what stood against a reading."""
    plan = [step.to_document() for step in make_plan(capacity_kN=500.0)[1:3]]
    for number, step in enumerate(plan, start=1):
        step.update(number=number, settle_s=0.0)
    facts = {
        "settings": BenchSettings(capacity_kN=500.0).to_document(), "plan": plan,
        "limits": {"window_s": 5.0, "drift_counts": 200.0, "noise_counts": 500.0},
        "seconds": 10.0, "started": "2026-05-04T08:00:00+00:00", "reference": None,
    }  # fmt: skip
    store = BenchStore.create(path, facts)
    store.close()
    connection = sqlite3.connect(path)
    connection.execute(
        "INSERT INTO readings VALUES (1, ?)", (json.dumps(OLD_READING | changes),)
    )
    connection.execute("PRAGMA user_version = 1")
    connection.commit()
    connection.close()


def test_a_session_of_before_opens_and_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "old.bench"
    old_session(path)
    with BenchSession.open(path) as session:
        (first,) = session.taken
        assert (first.mean, first.low, first.doubts) == (4001000.0, None, ())
        assert session.facts.force_unit == "kN"
        session.type_reading(4001010.0)
    with BenchSession.open(path) as again:
        assert len(again.taken) == 2
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA user_version").fetchone() == (2,)
    connection.close()


@pytest.mark.parametrize(
    "changes",
    [
        {"mean": "much"}, {"mean": None}, {"mean": float("inf")}, {"step": 99}, {"step": 0},
        {"number": 7}, {"stable": 1}, {"doubts": ["a whim"]}, {"doubts": "unstable"},
        {"findings": [3]}, {"n": 2.5}, {"unheard_of": 1}, {"time_s": True},
    ],
)  # fmt: skip
def test_a_reading_that_cannot_be_is_a_damaged_session(
    tmp_path: Path, changes: dict[str, object]
) -> None:
    path = tmp_path / "bad.bench"
    old_session(path, **changes)
    with pytest.raises(BenchError, match=r"bad\.bench: damaged bench session"):
        BenchSession.open(path)


facts_junk = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=6,
)


@given(
    st.sampled_from(
        ["settings", "plan", "limits", "seconds", "started", "reference", "force_unit"]
    ),
    facts_junk,
)
@settings(max_examples=60, deadline=None)
def test_facts_that_cannot_be_are_refused(name: str, junk: object) -> None:
    document = SessionFacts(
        settings=BenchSettings(capacity_kN=9.0), plan=make_plan(capacity_kN=9.0, steps=3),
        started=datetime(2026, 5, 4, tzinfo=UTC),
    ).to_document()  # fmt: skip
    document[name] = junk
    # What a session catches when it opens; anything else fails the test.
    with contextlib.suppress(KeyError, TypeError, ValueError, OverflowError):
        SessionFacts.from_document(document)


_CUT_AT_ITS_MAKING = """
import os, sqlite3, sys
at = int(sys.argv[2])
sql = sqlite3.connect(sys.argv[1], isolation_level=None)
if at > 0:
    sql.execute("PRAGMA journal_mode = WAL")
if at > 1:
    sql.execute("PRAGMA cache_size = 1")
    sql.execute("BEGIN IMMEDIATE")
    sql.execute("CREATE TABLE facts (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT")
    for i in range(99):
        sql.execute("INSERT INTO facts VALUES (?, ?)", (str(i), "x" * 900))
os._exit(9)
"""


@pytest.mark.parametrize("at", [0, 1, 2])
def test_one_that_was_cut_off_at_its_making_is_begun_anew(tmp_path: Path, at: int) -> None:
    """As the first version left them: it made them in place."""
    path = tmp_path / "cut.bench"
    path.touch()
    subprocess.run([sys.executable, "-c", _CUT_AT_ITS_MAKING, str(path), str(at)], check=False)
    plan = make_plan(capacity_kN=9.0, steps=3)
    with BenchSession.create(
        path, settings=BenchSettings(capacity_kN=9.0), plan=plan
    ) as session:
        session.type_reading(9000.0)
    with BenchSession.open(path) as session:
        assert [r.mean for r in session.taken] == [9000.0]


def test_nothing_of_a_session_that_is_gone_comes_into_the_next(tmp_path: Path) -> None:
    path = tmp_path / "s.bench"
    plan = make_plan(capacity_kN=9.0, steps=3)
    settings = BenchSettings(capacity_kN=9.0)
    session = BenchSession.create(path, settings=settings, plan=plan)
    session.type_reading(9000.0)
    log = path.with_name("s.bench-wal").read_bytes()
    session.close()
    path.unlink()
    path.with_name("s.bench-wal").write_bytes(log)
    with BenchSession.create(path, settings=settings, plan=plan) as new:
        assert new.taken == ()


def test_it_appears_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(BenchError, match=r"s\.bench: the session cannot be written.*No space"):
        BenchSession.create(
            tmp_path / "s.bench", settings=BenchSettings(), plan=make_plan(capacity_kN=1.0)
        )
    assert not list(tmp_path.iterdir())


def test_a_torn_session_is_refused_by_name_with_what_to_do(
    tmp_path: Path, bench: Bench
) -> None:
    bench.take()
    bench.session.close()
    whole = bench.session.path.read_bytes()
    torn = tmp_path / "torn.bench"
    for content in (whole[: len(whole) // 2], bytes(4096) + whole[4096:], whole[:4096]):
        torn.write_bytes(content)
        with pytest.raises(BenchError, match=r"torn\.bench: .*put back a copy"):
            BenchSession.open(torn)
        with pytest.raises(BenchError, match="exists already"):
            BenchSession.create(torn, settings=BenchSettings(), plan=make_plan(capacity_kN=1.0))
        assert torn.read_bytes() == content


def test_a_journal_that_names_another_file_removes_nothing(
    bench: Bench, tmp_path: Path
) -> None:
    bench.take()
    bench.session.close()
    other = tmp_path / "another.bench"
    other.write_bytes(b"kept")
    journal_naming(other, bench.session.path)
    with pytest.raises(BenchError, match="names another file"):
        BenchSession.open(bench.session.path)
    with pytest.raises(BenchError, match="exists already"):
        BenchStore.create(bench.session.path, {})
    assert other.read_bytes() == b"kept"
