"""Tables out of a run: what is in them is what is in the run, and nothing else."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from pyarrow import parquet

from recorder.exchange.export import drawbar_power, export_run
from recorder.run.parts.errors import RunFileError
from recorder.run.parts.gap import Cause, Gap
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.write_whole import DeviceData, write_run
from tests.recorder.made_runs import (
    STARTED_UTC_NS,
    MadeRun,
    cell_blocks,
    header,
    load_cell,
    mark,
    wheel,
    wheel_blocks,
)


def rows(path: Path) -> tuple[list[str], list[list[str]]]:
    """Header and rows of a table."""
    with path.open(newline="", encoding="utf-8") as file:
        table = list(csv.reader(file))
    return table[0], table[1:]


def test_one_tidy_table_a_channel(sealed: Path, tmp_path: Path, made: MadeRun) -> None:
    with open_run(sealed) as run:
        written = export_run(run, tmp_path / "tables")
        assert sorted(p.name for p in written) == [
            "distance.csv",
            "gaps.csv",
            "latitude.csv",
            "marks.csv",
            "power.csv",
            "pull.csv",
            "speed.csv",
        ]
        head, table = rows(tmp_path / "tables/pull.csv")
        assert head == ["time_s", "pull_kN", "counts", "flags"]
        pull = run.channels["pull"]
        assert [float(r[0]) for r in table] == pull.time_s().tolist()
        assert np.array_equal(np.array([r[1] for r in table], np.float32), pull.values())
        assert [int(r[2]) for r in table] == made.records("cell")["ch0"].tolist()
        assert {r[3] for r in table} == {"0"}
        assert rows(tmp_path / "tables/speed.csv")[0] == ["time_s", "speed_m_s", "flags"]
        assert rows(tmp_path / "tables/distance.csv")[0][1] == "distance_m"
        assert rows(tmp_path / "tables/latitude.csv")[0] == ["time_s", "latitude_deg", "flags"]


def test_marks_are_the_current_ones_with_their_utc(sealed: Path, tmp_path: Path) -> None:
    with open_run(sealed) as run:
        export_run(run, tmp_path)
        marks = run.marks()
    head, table = rows(tmp_path / "marks.csv")
    found = [dict(zip(head, row, strict=True)) for row in table]
    assert [(r["kind"], r["value"], r["revision"]) for r in found] == [
        ("milepost", "42", "1"),
        ("remark", "", "0"),
    ]
    assert [float(r["time_s"]) for r in found] == [m.t_s for m in marks]
    assert found[0]["note"] == marks[0].note
    assert found[0]["utc"].startswith("2026-02-02T02:40:0")
    assert float(found[0]["u_utc_s"]) > 0.0
    assert STARTED_UTC_NS == 1_770_000_000 * 10**9  # is 2026-02-02T02:40:00Z
    head, table = rows(tmp_path / "gaps.csv")
    assert table[0][0] == "cell"
    assert table[0][3:6] == ["checksum", "one frame", "20"]


def test_power_is_pull_times_speed(sealed: Path, tmp_path: Path) -> None:
    with open_run(sealed) as run:
        export_run(run, tmp_path)
        pull = run.channels["pull"].values()
    head, table = rows(tmp_path / "power.csv")
    assert head == ["time_s", "power_kW", "flags"]
    power = np.array([float(r[1]) if r[1] else np.nan for r in table])
    inner = slice(2000, -2000)
    assert np.allclose(power[inner], pull[inner] * 10.0, rtol=0.006)
    assert len(power) == len(pull)


def test_no_line_is_drawn_over_a_gap() -> None:
    time_s = np.arange(0.0, 10.0, 0.5)
    speed_s = np.array([0.0, 1.0, 2.0, 3.0, 7.0, 8.0])
    gap = Gap(device="wheel", t_start_s=1.0, t_end_s=2.0, cause=Cause.CHECKSUM)
    pull = (np.full(20, 100.0), np.zeros(20, np.uint8))
    speed = (np.full(6, 10.0), np.array([0, 0, 0, 0, 8, 0], np.uint8))
    power, flags = drawbar_power(time_s, pull, speed_s, speed, [gap])
    known = time_s[np.isfinite(power)]
    assert known.tolist() == [0.0, 0.5, 1.0, 2.0, 2.5, 3.0, 7.5, 8.0]
    assert power[0] == 1000.0
    assert flags[15] == 8
    few, _ = drawbar_power(time_s, pull, speed_s[:1], (speed[0][:1], speed[1][:1]), [])
    assert np.isnan(few).all()


def test_rows_are_never_filled_in(tmp_path: Path) -> None:
    """Irregular samples and a value that is not there, as they are."""
    head = header(load_cell(), wheel())
    cell = np.concatenate([b.records for b in cell_blocks(0.1)])[[0, 3, 150]]
    turned = np.concatenate([b.records for b in wheel_blocks(0.2)])
    write_run(
        tmp_path / "run.h5",
        head,
        {
            "cell": DeviceData(time_s=np.array([0.0, 1.5, 75.0]), records=cell),
            "wheel": DeviceData(time_s=np.arange(20) / 100, records=turned),
        },
    )
    with open_run(tmp_path / "run.h5") as run:
        export_run(run, tmp_path / "t")
    assert [r[0] for r in rows(tmp_path / "t/pull.csv")[1]] == ["0", "1.5", "75"]
    assert [bool(r[1]) for r in rows(tmp_path / "t/power.csv")[1]] == [True, False, False]


def test_parquet_holds_the_same(sealed: Path, tmp_path: Path) -> None:
    with open_run(sealed) as run:
        export_run(run, tmp_path, form="parquet")
        table = parquet.read_table(tmp_path / "pull.parquet")
        assert table.column_names == ["time_s", "pull_kN", "counts", "flags"]
        assert np.array_equal(table["pull_kN"].to_numpy(), run.channels["pull"].values())


def test_tables_that_are_there_are_kept(sealed: Path, tmp_path: Path) -> None:
    (tmp_path / "marks.csv").write_text("mine", encoding="utf-8")
    with open_run(sealed) as run:
        with pytest.raises(FileExistsError, match="is there already"):
            export_run(run, tmp_path)
        assert [p.name for p in tmp_path.iterdir()] == ["marks.csv"]
        assert (tmp_path / "marks.csv").read_text(encoding="utf-8") == "mine"
        export_run(run, tmp_path, replace=True)
        assert len(list(tmp_path.iterdir())) == 7
        with pytest.raises(RunFileError, match="format must be one of csv, parquet"):
            export_run(run, tmp_path, form="xls")


def test_an_empty_run_gives_headers(tmp_path: Path) -> None:
    head = header(load_cell(), wheel())
    data = {
        name: DeviceData(time_s=np.empty(0), records=np.empty(0, device.record_dtype))
        for name, device in (("cell", load_cell()), ("wheel", wheel()))
    }
    write_run(tmp_path / "run.h5", head, data)
    with open_run(tmp_path / "run.h5") as run:
        export_run(run, tmp_path / "t")
    for name in ("pull", "distance", "speed", "power"):
        head_row, table = rows(tmp_path / f"t/{name}.csv")
        assert head_row[0] == "time_s"
        assert table == []


def test_marks_have_no_utc_where_it_is_not_known(tmp_path: Path) -> None:
    """A computer's clock that nobody confirms would read as UTC in a table."""
    cell = load_cell()
    blocks = cell_blocks(3.0)
    data = DeviceData(
        time_s=np.concatenate([b.time_s() for b in blocks]),
        records=np.concatenate([b.records for b in blocks]),
    )
    write_run(tmp_path / "run.h5", header(cell), {"cell": data}, marks=[mark(1.0)])
    with open_run(tmp_path / "run.h5") as run:
        assert not run.utc.known
        export_run(run, tmp_path / "tables")
    head, (row,) = rows(tmp_path / "tables/marks.csv")
    found = dict(zip(head, row, strict=True))
    assert (found["time_s"], found["utc"], found["u_utc_s"]) == ("1.0", "", "")
