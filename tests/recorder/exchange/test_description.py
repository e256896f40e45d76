"""What a run tells of its own time."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from calibration.utc.leap_seconds import TABLE_EXPIRES
from recorder.exchange.description import describe, in_words
from recorder.keeping.seal import seal
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.made_runs import MadeRun, cell_blocks, header, load_cell


def _words(tmp_path: Path, began: str) -> tuple[dict[str, object], str]:
    began_ns = int(datetime.fromisoformat(began).replace(tzinfo=UTC).timestamp()) * 10**9
    path = tmp_path / "run.h5"
    made = MadeRun(header=header(load_cell(), started_utc_ns=began_ns), blocks=cell_blocks(2.0))
    seal(made.filed(path), path)
    with open_run(path) as run:
        found = describe(run)
    return found.to_json()["utc"], in_words(found)


def test_how_far_leap_seconds_are_known_is_told(tmp_path: Path) -> None:
    """leap-seconds.list of the tz database: ours expires 2027-06-28, a later copy later."""
    utc, words = _words(tmp_path, "2026-02-02T00:00:00")
    assert utc["leap_seconds_known_until"] == TABLE_EXPIRES.isoformat() >= "2027-06-28"
    assert utc["leap_seconds_known"] is True
    assert "leap seconds" not in words


def test_a_run_beyond_the_table_may_be_a_second_off(tmp_path: Path) -> None:
    utc, words = _words(tmp_path, f"{TABLE_EXPIRES}T00:00:00")
    assert utc["leap_seconds_known"] is False
    assert f"caution: leap seconds are known until {TABLE_EXPIRES} (list of" in words
    assert "its UTC may be whole seconds off; bring the tz database up to date" in words
