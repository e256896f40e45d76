"""A small seeded part of the campaigns over hostile files; thousands are tried by their scripts."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from recorder.acquisition.control.session_files import VERSION, SessionError, read_session
from recorder.command_line.main import main
from recorder.exchange.table_import import ImportedTable, import_table
from tests.campaigns.fuzz.fuzz_files import fuzz
from tests.campaigns.fuzz.run_file_damage import damage


def test_no_kind_of_file_raises_what_its_reader_does_not_declare(tmp_path: Path) -> None:
    told: list[str] = []
    counts = fuzz(tmp_path, 250, 2, tell=told.append)
    assert [line for line in told if not line.startswith("--")] == []
    assert sum(counts.values()) >= 240
    assert len(counts) >= 35


def test_every_harm_to_a_sealed_run_file_is_found(tmp_path: Path) -> None:
    counts, wrong = damage(tmp_path, 12, 3)
    assert wrong == []
    assert sum(n for ended, n in counts.items() if ended.startswith("sealed found")) >= 3


@pytest.mark.parametrize(
    "words",
    [
        "import table.csv --out n.h5 --started 9999-12-31",
        "import table.csv --out n.h5 --started 0001-01-01T00:00:00+23:00",
    ],
)
def test_what_the_campaign_found_is_refused_in_a_line(
    words: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "table.csv").write_text("time_s,pull_kN\n0,1\n1,2\n", "utf-8")
    assert main(words.split()) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "internal error" not in told


def test_a_run_of_values_without_bounds_is_no_record_of_a_train(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    t = np.arange(10.0)
    table = ImportedTable(time_s=t, columns={"pull": t * 1e300, "speed": t}, warnings=())
    import_table(table, tmp_path / "n.h5", software="testcar test")
    assert main(["report", str(tmp_path / "n.h5"), "--out", str(tmp_path / "d")]) == 2
    told = capsys.readouterr().err
    assert "pull reaches 9e+300 kN; allowed: up to 1e+24" in told
    assert told.count("\n") == 1


def test_a_session_file_of_a_process_without_a_number_is_none(tmp_path: Path) -> None:
    texts = dict.fromkeys(
        ("started", "address", "authkey", "run_path", "journal_path", "run_id"), "00"
    )
    path = tmp_path / "session.json"
    path.write_text(
        json.dumps({"version": VERSION, "pid": float("inf"), "rings": {}, **texts}), "utf-8"
    )
    with pytest.raises(SessionError):
        read_session(path)
