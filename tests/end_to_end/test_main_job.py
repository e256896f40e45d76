"""The main job, held from outside: the commands, the files, the truth."""

from __future__ import annotations

import csv
import json
import shutil
from datetime import datetime
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray as xr

from recorder.run_file.hdf5.reader import open_run
from tests.end_to_end.conftest import Demo, command, one_line, start_command

pytestmark = pytest.mark.slow


def test_demo_leaves_what_it_promises(demo: Demo) -> None:
    assert demo.truth.dtype.names is not None
    assert demo.truth.dtype.names[:5] == (
        "time_s",
        "utc",
        "pull_kN",
        "speed_m_s",
        "distance_m",
    )
    assert np.median(np.diff(demo.truth["time_s"])) <= 0.1
    assert (demo.folder / "summary.pdf").read_bytes().startswith(b"%PDF")
    assert (demo.folder / "window.png").read_bytes().startswith(b"\x89PNG")
    with open_run(demo.run) as run:
        assert run.complete
        assert {m.kind for m in run.marks()} >= {"weather", "throttle"}
        assert run.header.route


def test_demo_never_overwrites(demo: Demo) -> None:
    told = command("demo", "--headless", "--seconds", "5", "--out", demo.folder)
    assert told.returncode == 2
    assert "never overwritten" in one_line(told)


def test_pull_against_the_truth(demo: Demo) -> None:
    """Bound: noise of the cell (under 0.3 kN a sample, 200 a mean), offset drift, non-linearity
    inside the certificate's 0.1 % of capacity; run-out spikes are shorter than the truth's
    step, so means over 0.1 s are compared away from them and 99 % must hold."""
    with open_run(demo.run) as run:
        pull = run.channels["pull"]
        t, values = pull.time_s(), pull.values()
        flags = pull.flags()
    assert not flags.any()
    edges = np.arange(1.0, t[-1] - 1.0, 0.1)
    read = _means(t, values, edges)
    true = _means(demo.truth["time_s"], demo.truth["pull_kN"], edges)
    error = np.abs(read - true)
    assert np.quantile(error, 0.99) < 1.5 + 0.002 * np.abs(true).max()
    assert abs(float(np.mean(read - true))) < 0.3
    assert np.abs(true).max() > 50.0


def test_speed_and_distance_against_the_truth(demo: Demo) -> None:
    """Bound: wheel 0.2 % off its certificate, one pulse, 5 ms of alignment."""
    with open_run(demo.run) as run:
        distance, speed = run.channels["distance"], run.channels["speed"]
        t, d, v = distance.time_s(), distance.values(), speed.values()
    inner = (t > 1.0) & (t < demo.truth["time_s"][-1] - 1.0)
    true_d = np.interp(t, demo.truth["time_s"], demo.truth["distance_m"])
    true_v = np.interp(t, demo.truth["time_s"], demo.truth["speed_m_s"])
    moved = (d - true_d) - (d - true_d)[inner][0]
    assert np.abs(moved[inner]).max() < 0.05 + 0.005 * true_d.max() + 0.005 * true_v.max()
    assert np.quantile(np.abs(v - true_v)[inner], 0.99) < 0.05 + 0.005 * true_v.max()


def test_utc_against_the_truth(demo: Demo) -> None:
    """Bound: 100 ms without a pulse per second: sentences are late by a varying time."""
    rows = demo.truth[:: max(len(demo.truth) // 200, 1)]
    true = np.array([datetime.fromisoformat(u).timestamp() for u in rows["utc"]])
    with open_run(demo.run) as run:
        told = run.utc.utc_ns(rows["time_s"].astype(np.float64)) / 1e9
        u = run.utc.u_s(rows["time_s"].astype(np.float64))
    assert np.abs(told - true).max() < 0.1
    assert (np.abs(told - true) <= 2.5 * u).all()


def test_info_and_verify(demo: Demo, tmp_path: Path) -> None:
    told = command("info", demo.run, "--json")
    assert told.returncode == 0
    answer = json.loads(told.stdout)
    assert answer["complete"] is True
    assert "run_id" in answer
    assert command("verify", demo.run).returncode == 0
    deep = command("verify", "--deep", "--json", demo.run)
    assert deep.returncode == 0
    proofs = json.loads(deep.stdout)["proofs"]
    assert {p["check"] for p in proofs if p["state"] == "proved"} >= {
        "digests", "header", "counts against gaps", "counts of records", "sentences read again",
        "ticks tied again", "UTC tied again", "health found again", "values made again",
        "overviews made again", "gaps and events as recorded", "history of marks",
    }  # fmt: skip
    copy = tmp_path / "bad.h5"
    shutil.copy(demo.run, copy)
    with h5py.File(copy, "r+") as file:
        file["devices/drawbar/raw_ch0"][1234] += 1
    bad = command("verify", copy)
    assert bad.returncode == 1
    assert "Traceback" not in bad.stderr
    cut = tmp_path / "cut.h5"
    cut.write_bytes(demo.run.read_bytes()[: demo.run.stat().st_size // 2])
    assert command("verify", cut).returncode in {1, 2}
    text = tmp_path / "text.h5"
    text.write_text("not a run")
    told = command("verify", text)
    assert told.returncode == 2
    assert "not a run file" in one_line(told)
    assert command("info", tmp_path / "none.h5").returncode == 2


def test_export(demo: Demo, tmp_path: Path) -> None:
    assert command("export", demo.run, "--format", "csv", "--out", tmp_path).returncode == 0
    for name, column in (
        ("pull", "pull_kN"),
        ("distance", "distance_m"),
        ("speed", "speed_m_s"),
    ):
        with (tmp_path / f"{name}.csv").open(encoding="utf-8", newline="") as stream:
            header = next(csv.reader(stream))
        assert header[0] == "time_s"
        assert column in header
    with open_run(demo.run) as run:
        kept = run.channels["pull"].values()
    read = np.genfromtxt(tmp_path / "pull.csv", delimiter=",", names=True, encoding="utf-8")
    np.testing.assert_allclose(read["pull_kN"], kept, rtol=1e-6, atol=1e-6)
    with (tmp_path / "marks.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert {r["kind"] for r in rows} >= {"weather", "throttle"}


def test_common_tools_open_a_channel_with_its_axis(demo: Demo) -> None:
    with h5py.File(demo.run) as file:
        pull = file["devices/drawbar/pull"]
        assert pull.attrs["units"] == "kN"
        assert pull.dims[0][0].name == "/devices/drawbar/time_s"
    with xr.open_dataset(demo.run, group="devices/drawbar", engine="h5netcdf") as data:
        assert data.pull.time_s.size == data.pull.size


def test_replay_recorded_again_is_the_same_count_for_count(demo: Demo, tmp_path: Path) -> None:
    replay = start_command(
        "replay", demo.run, "--speed", "max", "--tcp", "--json", "--out", tmp_path / "again"
    )
    try:
        assert replay.stdout is not None
        assert json.loads(replay.stdout.readline())["event"] == "ready"
        told = command(
            "record",
            tmp_path / "again" / "car.toml",
            tmp_path / "again" / "trip.toml",
            "--out",
            tmp_path / "again.h5",
            "--headless",
            "--until-quiet",
            "2",
        )
        assert told.returncode == 0, told.stderr
        replay.wait(30.0)
    finally:
        replay.kill()
        replay.communicate()
    with open_run(demo.run) as first, open_run(tmp_path / "again.h5") as second:
        for name in ("drawbar", "wheel"):
            a, b = first.devices[name], second.devices[name]
            fields = a.header.record_dtype.names or ()
            for field in fields:
                column = "tick" if field == "tick" else f"raw_{field}"
                np.testing.assert_array_equal(
                    a.read(column, 0, None), b.read(column, 0, None), err_msg=f"{name} {field}"
                )
        clock_a, clock_b = first.devices["clock"], second.devices["clock"]
        np.testing.assert_array_equal(
            clock_a.read("raw_sentence", 0, None), clock_b.read("raw_sentence", 0, None)
        )


def _means(t: np.ndarray, values: np.ndarray, edges: np.ndarray) -> np.ndarray:
    index = np.searchsorted(edges, t, side="right") - 1
    good = (index >= 0) & (index < len(edges) - 1)
    total = np.bincount(index[good], values[good], minlength=len(edges) - 1)
    return np.asarray(total / np.bincount(index[good], minlength=len(edges) - 1))
