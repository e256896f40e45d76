"""Tables for other programs: every zero with what it is worth."""

from __future__ import annotations

from pathlib import Path

import pyarrow.parquet as pq
import pytest

from recorder.analysis.campaign.answer import AnswerSettings, answer_files
from recorder.report.data.tables import write_tables
from recorder.run.checks.zero_line import Zero, ZeroTime
from tests.recorder.analysis.uncertainty.test_zero import run_under_way


@pytest.mark.slow
def test_zeros_of_every_run_are_a_table(tmp_path: Path) -> None:
    path = run_under_way(
        tmp_path / "monday.h5",
        Zero(channel="pull", t_s=0.0, counts=20.0, u_counts=6.0, when=ZeroTime.BEFORE),
        Zero(channel="pull", t_s=50.0, counts=float("nan"), accepted=False, reason="nothing"),
    )
    answer = answer_files([path], AnswerSettings())
    held = [worth for run in answer.runs for worth in run.loaded.provenance.field_checks.zeros]
    write_tables(answer, tmp_path / "tables")
    rows = pq.read_table(tmp_path / "tables" / "zeros.parquet").to_pylist()
    assert len(rows) == len(held) > 0
    assert [row["run"] for row in rows] == ["monday"] * 2
    assert [row["zero_counts"] for row in rows] == [20.0, None]
    assert [row["found"] for row in rows] == ["accepted", "REFUSED"]
    assert [row["holds"] for row in rows] == [True, False]
    assert rows[0]["u_kN"] == held[0].u_kN > 0.0
    assert rows[1]["reason"] == "nothing"
