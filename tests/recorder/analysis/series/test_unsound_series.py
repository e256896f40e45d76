"""What is not sound in the file is sound in no figure made from it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.quantities import flags as flag_bits
from recorder.analysis.campaign.loaded_run import LoadedRun
from recorder.analysis.campaign.loading import load_run
from recorder.analysis.plausibility.doubt import DoubtKind
from recorder.analysis.series.run_series import RunGrid, series_of
from recorder.analysis.series.series import UNFIT, Series
from recorder.run.checks.channel_health import Episode
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.run.checks.health_cases import CELL_HZ, Train


def running(seconds: float = 200.0) -> Train:
    """It never stops."""
    return Train(seconds=seconds, stands_s=(-90.0, -80.0))


def series(train: Train, path: Path) -> Series:
    """Of the train as sealed."""
    train.keep(path)
    with open_run(path) as run:
        return series_of(RunGrid.of(run), run.gaps(), [])


def inside(held: Series, start_s: float, stop_s: float) -> NDArray[np.bool_]:
    """Bins (n,) wholly between two times."""
    return (held.t_s > start_s + held.step_s) & (held.t_s < stop_s - held.step_s)


def test_spikes_are_in_no_mean_least_or_most(tmp_path: Path) -> None:
    honest = series(running(), tmp_path / "honest.h5")
    train = running()
    _, counts = train.column("cell", "ch0")
    counts[CELL_HZ * 10 : CELL_HZ * 190 : CELL_HZ + 13] += 500_000  # fifty kilonewtons
    spiky = series(train, tmp_path / "spiky.h5")
    for name in ("pull_kN", "pull_min_kN", "pull_max_kN"):
        away = np.abs(getattr(spiky, name) - getattr(honest, name))
        # A bin with a sample less moves by its noise, no more.
        assert np.nanmax(away) < 0.3, name
    assert not (spiky.flags & UNFIT).any()


def _stuck(train: Train) -> None:
    t, counts = train.column("cell", "ch0")
    counts[(t >= 60.0) & (t < 100.0)] = 777


def _dead_wheel(train: Train) -> None:
    t, count = train.column("wheel", "count")
    count[(t >= 60.0) & (t < 100.0)] = count[t >= 60.0][0]


def _contradicted(train: Train) -> None:
    t, speed = train.column("gnss", "speed_m_s")
    speed[(t >= 55.0) & (t < 105.0)] *= 1.2


@pytest.mark.parametrize("harm", [_stuck, _dead_wheel, _contradicted])
def test_a_stretch_that_is_not_sound_is_fit_for_no_figure(
    tmp_path: Path, harm: Callable[[Train], None]
) -> None:
    train = running()
    harm(train)
    held = series(train, tmp_path / "run.h5")
    unfit = held.flags & np.uint8(flag_bits.UNSOUND) != 0
    assert unfit[inside(held, 62.0, 98.0)].all()
    assert not unfit[inside(held, 0.0, 50.0)].any()
    assert not unfit[inside(held, 112.0, 200.0)].any()
    assert np.isnan(held.sound_pull_kN[unfit]).all()


def test_a_run_with_a_dead_wheel_is_doubted_and_says_where(tmp_path: Path) -> None:
    train = running(400.0)
    t, count = train.column("wheel", "count")
    count[t >= 200.0] = count[t >= 200.0][0]
    path = tmp_path / "run.h5"
    train.keep(path)
    with open_run(path) as run:
        loaded = load_run(run)
    assert DoubtKind.STUCK in {doubt.kind for doubt in loaded.doubts}
    assert any("distance and speed stuck, 200.0 to" in e.words for e in _episodes(loaded))


def test_a_drift_at_rest_is_told_and_stops_no_verdict(tmp_path: Path) -> None:
    train = Train(seconds=500.0, stands_s=(60.0, 420.0))
    t, counts = train.column("cell", "ch0")
    counts += (80.0 * np.clip(t - 60.0, 0.0, 360.0)).astype(np.int32)
    path = tmp_path / "run.h5"
    train.keep(path)
    with open_run(path) as run:
        (doubt,) = [d for d in load_run(run).doubts if d.kind is DoubtKind.DRIFT]
    assert "pull drifting at rest" in doubt.text
    assert not doubt.stands


def test_a_sound_run_is_not_doubted_for_its_channels(tmp_path: Path) -> None:
    path = tmp_path / "run.h5"
    running(400.0).keep(path)
    with open_run(path) as run:
        loaded = load_run(run)
    assert DoubtKind.STUCK not in {doubt.kind for doubt in loaded.doubts}
    assert _episodes(loaded) == ()


def _episodes(loaded: LoadedRun) -> tuple[Episode, ...]:
    return loaded.provenance.description.episodes
