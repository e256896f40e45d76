"""The feed as a process of its own: ports, sheets, truth, an end."""

from __future__ import annotations

import contextlib
import csv
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from calibration.certificates.certificate import load_certificate
from drivers.protocols.load_cell_frames import LoadCellDecoder
from recorder.sheets import load_car_sheet, load_trip_sheet
from recorder.track.route.route import load_route
from simulated_feeds.outing.rendering import render_bytes
from simulated_feeds.outing.scenario import make_scenario
from simulated_feeds.outing.truth import write_truth
from simulated_feeds.serving.serving import FeedSettings, start_feed
from simulated_feeds.settings.errors import FeedError

Reading = Callable[[dict[str, str]], dict[str, bytes]]
pty_only = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")


def read_truth(path: Path) -> dict[str, np.ndarray]:
    with path.open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    out = {k: np.array([float(r[k]) for r in rows]) for k in rows[0] if k != "utc"}
    out["utc_s"] = np.array([datetime.fromisoformat(r["utc"]).timestamp() for r in rows])
    return out


def test_a_whole_feed(tmp_path: Path, reading: Reading) -> None:
    """Bytes over TCP are those the same seed gives without ports; the truth lies beside."""
    with start_feed(tmp_path, seed=4, seconds=12.0, speed=0.0, utc0_ns=10**18) as feed:
        assert set(feed.ports) == {"drawbar", "wheel", "clock"}
        car = load_car_sheet(feed.sheets["car"])
        assert {n: d.port for n, d in car.devices.items()} == feed.ports
        trip = load_trip_sheet(feed.sheets["trip"])
        assert trip.route_path is not None
        assert load_route(trip.route_path).warnings == ()
        assert load_certificate(feed.sheets["pull_certificate"]).kind == "force"
        assert load_certificate(feed.sheets["wheel_certificate"]).kind == "wheel"
        before = time.monotonic_ns()
        got = reading(feed.ports)
        started = feed.wait_started()
        summary = feed.wait(30.0)
    assert summary.began
    assert summary.complete
    assert all(f.dropped == 0 for f in summary.frames.values())
    expected = render_bytes(make_scenario(4, utc0_ns=10**18), 12.0)
    for name, rendered in expected.items():
        assert got[name] == rendered.data, name
    truth = read_truth(tmp_path / "truth.csv")
    assert list(truth)[:4] == ["time_s", "pull_kN", "speed_m_s", "distance_m"]
    assert np.diff(truth["time_s"]) == pytest.approx(0.005, abs=1e-6)
    assert truth["time_s"][-1] == pytest.approx(11.995)
    assert truth["utc_s"] - truth["time_s"] == pytest.approx(10**9, abs=1e-5)
    assert truth["pull_kN"].max() > 20.0
    assert started.simulated0_monotonic_ns >= before


def test_truth_on_the_runs_clock(tmp_path: Path, reading: Reading) -> None:
    with start_feed(tmp_path, seconds=20.0, speed=25.0, seed=2) as feed:
        reading(feed.ports)
        began = feed.wait_started().simulated0_monotonic_ns
        feed.wait(30.0)
    world = read_truth(tmp_path / "truth.csv")
    out = tmp_path / "shifted.csv"
    # A run that began 0.6 s after the devices: 15 world seconds in, at 25 times the speed.
    rows = write_truth(tmp_path, began + 600_000_000, out)
    late = read_truth(out)
    assert rows == late["time_s"].size
    assert late["time_s"][0] == pytest.approx(0.0, abs=5e-4)
    assert late["distance_m"][0] == pytest.approx(0.0, abs=0.01)
    assert late["utc_s"][0] == pytest.approx(world["utc_s"][0] + 15.0, abs=0.02)
    moved = world["distance_m"][-1] - np.interp(15.0, world["time_s"], world["distance_m"])
    assert late["distance_m"][-1] == pytest.approx(moved, abs=0.01)
    # A run that began before the devices: standing rows come first.
    write_truth(tmp_path, began - 100_000_000, out)
    early = read_truth(out)
    assert early["time_s"][0] == pytest.approx(0.0, abs=5e-4)
    assert np.all(np.diff(early["time_s"]) > 0.0)
    assert early["speed_m_s"][early["time_s"] < 0.1].max() == 0.0
    write_truth(tmp_path, began, out, duration_s=0.2)
    assert read_truth(out)["time_s"][-1] <= 0.2


@pty_only
def test_pseudo_terminals(tmp_path: Path) -> None:
    import serial

    with start_feed(tmp_path, seconds=6.0, speed=4.0, transport="pty", seed=3) as feed:
        handles = {n: serial.Serial(p, timeout=1.0) for n, p in feed.ports.items()}
        feed.wait_started()
        decoder, n = LoadCellDecoder(), 0
        port = handles["drawbar"]
        while True:
            try:
                chunk = port.read(max(1, port.in_waiting))
            except serial.SerialException:
                break
            batch = decoder.feed(chunk, time.monotonic_ns())
            assert [f.cause for f in batch.faults] == []
            n += len(batch.records)
            handles["wheel"].reset_input_buffer()
            handles["clock"].reset_input_buffer()
        summary = feed.wait(30.0)
        for handle in handles.values():
            handle.close()
    assert n == 20 * summary.frames["drawbar"].sent
    assert n > 11_000


def test_unplug_and_restart_over_tcp(
    tmp_path: Path, reading: Reading, connecting: Callable[[str], object]
) -> None:
    faults = ("unplug:wheel@2+1", "silence:drawbar@1+1")
    with start_feed(tmp_path, seconds=5.0, speed=10.0, faults=faults) as feed:
        got = reading(feed.ports)
        summary = feed.wait(30.0)
    # A tenth of a second of a busy machine is a second of this world: at most what was due.
    assert 0 < len(got["wheel"]) // 24 < 220
    assert summary.frames["wheel"].unheard > 150
    assert len(got["drawbar"]) // 266 == pytest.approx(400, abs=5)
    del connecting


def test_stops_when_told_and_when_left_alone(tmp_path: Path) -> None:
    feed = start_feed(tmp_path / "a")
    summary = feed.stop()
    assert summary is not None
    assert not summary.began
    assert feed.stop() == summary
    with pytest.raises(FeedError, match="never began"):
        write_truth(tmp_path / "a", 0, tmp_path / "t.csv")


def test_ends_with_who_started_it(tmp_path: Path) -> None:
    """Killed without a word, the starter leaves no feed behind."""
    code = (
        "import sys\nfrom simulated_feeds.serving.serving import start_feed\n"
        f"feed = start_feed({str(tmp_path)!r})\nprint(feed.pid, flush=True)\nsys.stdin.read()\n"
    )
    (tmp_path / "starter.py").write_text(code, "utf-8")
    starter = subprocess.Popen(
        [sys.executable, tmp_path / "starter.py"], stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[3])},
    )  # fmt: skip
    assert starter.stdout is not None
    pid = int(starter.stdout.readline())
    starter.kill()
    starter.wait()
    import psutil

    with contextlib.suppress(psutil.NoSuchProcess):
        psutil.Process(pid).wait(10.0)
    assert not psutil.pid_exists(pid)
    starter.stdout.close()
    assert starter.stdin is not None
    starter.stdin.close()


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"seconds": 0.0}, "seconds"),
        ({"speed": -1.0}, "speed"),
        ({"channels": 17}, "channels"),
        ({"sample_rate_hz": 60_000}, "sample rate"),
        ({"cars": 0}, "cars"),
        ({"faults": ("melt@1",)}, "melt"),
        ({"faults": ("crc:axle@1",)}, "axle"),
        ({"truth_hz": 0.0}, "truth_hz"),
        ({"transport": "usb"}, "tcp or pty"),
    ],
)
def test_settings_that_cannot_work(
    tmp_path: Path, settings: dict[str, object], words: str
) -> None:
    with pytest.raises(FeedError, match=words):
        start_feed(tmp_path, **settings)  # type: ignore[arg-type]  # wrong on purpose


def test_settings_go_through_json() -> None:
    settings = FeedSettings(folder="x", faults=("crc@1",), seconds=3.0, pps=True)
    assert FeedSettings.from_json(settings.to_json()) == settings
    for text in ("", "[]", "{}", '{"folder": 1, "x": 2}', "null"):
        with pytest.raises(FeedError, match="do not read"):
            FeedSettings.from_json(text)


@pytest.mark.parametrize("damage", ["", "time_s,utc\n", "\x00\xff", "a,b\n1,2\n"])
def test_damaged_truth_is_told(tmp_path: Path, damage: str) -> None:
    note = {"simulated0_monotonic_ns": 5, "utc0_ns": 0, "speed": 1.0}
    (tmp_path / "feed.json").write_text(json.dumps(note))
    (tmp_path / "truth.csv").write_text(damage)
    with pytest.raises(FeedError, match="truth"):
        write_truth(tmp_path, 0, tmp_path / "out.csv")


@pytest.mark.parametrize("note", ["", "[]", "{", '"x"'])
def test_damaged_note_is_told(tmp_path: Path, note: str) -> None:
    (tmp_path / "feed.json").write_text(note)
    with pytest.raises(FeedError, match="note"):
        write_truth(tmp_path, 0, tmp_path / "out.csv")
