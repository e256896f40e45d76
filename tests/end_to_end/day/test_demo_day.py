"""``testcar demo``: a whole trial day in simulated time, and what it leaves behind."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from recorder.run.parts.gap import Cause
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.proof.parts.proof import State
from recorder.run_file.proof.whole.prove_file import prove_file
from tests.end_to_end.conftest import command

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1200)]

LIMIT_S = 900.0


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("day") / "demo"
    told = command("demo", "--headless", "--out", folder, timeout_s=LIMIT_S)
    assert told.returncode == 0, told.stderr
    assert "intervals hold the known truth" in told.stdout
    return folder


def test_everything_that_is_promised_is_there(day: Path) -> None:
    starts = {
        "run.h5": b"\x89HDF", "summary.pdf": b"%PDF", "window.png": b"\x89PNG",
        "report/report.pdf": b"%PDF", "report/chart_roll.pdf": b"%PDF", "report/truth.pdf": b"%PDF",
    }  # fmt: skip
    for name, start in starts.items():
        assert (day / name).read_bytes().startswith(start), name
    assert (day / "report" / "report.html").stat().st_size > 10_000


def test_the_day_is_one_of_two_hours_and_sixty_kilometres(day: Path) -> None:
    with open_run(day / "run.h5") as run:
        assert run.complete
        assert run.header.simulated_speed == 1.0
        assert 1.5 < run.duration_s / 3600.0 < 2.5
        moved_m = np.ptp(run.channels["distance"].values())
        kinds = {mark.kind for mark in run.marks()}
        assert any(mark.revision for mark in run.revisions())
        assert [gap.cause for gap in run.gaps()] == [Cause.LINK_LOST]
        assert len([zero for zero in run.zeros() if zero.holds]) >= 3
    assert 55_000 < moved_m < 65_000
    assert kinds >= {"milepost", "throttle", "weather", "station", "brake", "slip"}


def test_the_recording_agrees_with_the_truth(day: Path) -> None:
    """Noise of the cell and the certificate's 0.1 % of capacity; the wheel's circumference."""
    with (day / "truth.csv").open(encoding="utf-8") as stream:
        names = next(csv.reader(stream))
    table = np.loadtxt(day / "truth.csv", delimiter=",", skiprows=1, usecols=(0, 2, 3))
    assert names[2:4] == ["pull_kN", "speed_m_s"]
    with open_run(day / "run.h5") as run:
        for name, column, most in (("pull", 1, 1.5), ("speed", 2, 0.1)):
            channel = run.channels[name]
            t, values = channel.time_s(), channel.values()
            true = np.interp(t, table[:, 0], table[:, column])
            known = np.isfinite(values)
            assert np.quantile(np.abs(values - true)[known], 0.95) < most, name


def test_the_file_proves_what_it_says(day: Path) -> None:
    assert not [p for p in prove_file(day / "run.h5") if p.state is State.CONTRADICTED]


def test_the_verdict_is_the_true_one_in_at_least_four_bands(day: Path) -> None:
    """The locomotive was drawn to pull two to three per cent more than it was promised to."""
    results = json.loads((day / "report" / "results.json").read_text("utf-8"))
    assert results["overall"]["verdict"] == "meets"
    met = [band for band in results["bands"] if band["verdict"] == "meets"]
    assert len(met) >= 4
