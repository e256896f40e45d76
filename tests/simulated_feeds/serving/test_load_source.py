"""The source for benchmarks: every frame is a good one, and steps are stamped."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from drivers.protocols.load_cell_frames import LoadCellDecoder
from recorder.sheets import load_car_sheet
from simulated_feeds.serving.load_source import LoadSettings, LoadSource, start_load
from simulated_feeds.settings.errors import FeedError

Reading = Callable[[dict[str, str]], dict[str, bytes]]


@pytest.mark.parametrize(("channels", "rate"), [(8, 20_000), (1, 50_000), (16, 48_000)])
def test_frames_are_good_and_even(channels: int, rate: int) -> None:
    settings = LoadSettings(folder=".", channels=channels, sample_rate_hz=rate)
    source = LoadSource(settings)
    decoder = LoadCellDecoder(channels=channels, tick_hz=settings.tick_hz)
    records = []
    while source.t_s < 2.0:
        stretch = source.advance()
        assert stretch is not None
        batch = decoder.feed(b"".join(e.data for e in stretch["drawbar"]), 0)
        assert batch.faults == ()
        records.append(batch.records)
    ticks = np.concatenate(records)["tick"]
    assert np.all(np.diff(ticks) == settings.tick_hz // rate)
    assert ticks.size == round(source.t_s * rate)


def test_flat_out_with_steps(tmp_path: Path, reading: Reading) -> None:
    with start_load(
        tmp_path, channels=2, sample_rate_hz=20_000, seconds=0.5, step_every_s=0.1
    ) as feed:
        car = load_car_sheet(feed.sheets["car"])
        options = car.devices["drawbar"].options
        data = reading(feed.ports)["drawbar"]
        feed.wait(30.0)
    decoder = LoadCellDecoder(channels=options["channels"], tick_hz=options["tick_hz"])
    batch = decoder.feed(data, 0)
    assert batch.faults == ()
    high = batch.records["ch0"] > 1_000_000
    edges = np.flatnonzero(np.diff(high.astype(int)))
    with (tmp_path / "steps.csv").open() as stream:
        rows = list(csv.DictReader(stream))
    assert [int(row["step"]) for row in rows] == list(range(1, len(edges) + 1))
    stamps = [int(row["monotonic_ns"]) for row in rows]
    assert np.diff(stamps) == pytest.approx(100e6, abs=60e6)


@pytest.mark.parametrize(
    "settings", [{"channels": 0}, {"samples_per_frame": 600}, {"sample_rate_hz": 0}]
)
def test_settings_that_cannot_work(tmp_path: Path, settings: dict[str, int]) -> None:
    with pytest.raises(FeedError):
        start_load(tmp_path, **settings)
