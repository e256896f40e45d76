"""What is not sound is flagged at the seal, sample by sample, and kept as an event."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from calibration.quantities import flags as flag_bits
from recorder.run.checks.channel_health import HealthFault, episodes_of
from recorder.run.parts.header import ChannelHeader, DeviceHeader
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal import final_health
from recorder.run_file.seal.verify import verify_run
from recorder.run_file.seal.write_whole import DeviceData, write_run
from tests.recorder.made_runs import header
from tests.recorder.run.checks.health_cases import CELL_HZ, Train


def spoilt() -> Train:
    """A cell that stands for four seconds and spikes, a wheel that stops counting."""
    train = Train(seconds=200.0, stands_s=(-90.0, -80.0))
    t, counts = train.column("cell", "ch0")
    counts[(t >= 40.3) & (t < 44.6)] = 777
    counts[[CELL_HZ * 10, CELL_HZ * 120 + 1]] += 90_000
    tw, count = train.column("wheel", "count")
    count[(tw >= 150.0) & (tw < 180.0)] = count[tw >= 150.0][0]
    return train


def test_flags_and_events(tmp_path: Path) -> None:
    path = tmp_path / "run.h5"
    spoilt().keep(path)
    assert verify_run(path) == []
    with open_run(path) as run:
        pull, speed = run.channels["pull"], run.channels["speed"]
        flags, t = pull.flags(), pull.time_s()
        spikes = np.flatnonzero(flags & flag_bits.SPIKE)
        assert spikes.tolist() == [CELL_HZ * 10, CELL_HZ * 120 + 1]
        unsound = t[flags & flag_bits.UNSOUND != 0]
        assert [unsound[0], unsound[-1]] == pytest.approx([40.3, 44.6], abs=2.5 / CELL_HZ)
        assert len(unsound) == pytest.approx(4.3 * CELL_HZ, abs=2)
        dead = speed.time_s()[speed.flags() & flag_bits.UNSOUND != 0]
        assert [dead[0], dead[-1]] == pytest.approx([151.0, 180.0], abs=1.0)
        distance = run.channels["distance"]
        assert np.array_equal(distance.flags() & flag_bits.UNSOUND, speed.flags() & 32)
        held = episodes_of(run.events())
        assert [e.fault for e in held] == [
            HealthFault.SPIKING,
            HealthFault.STUCK,
            HealthFault.SPIKING,
            HealthFault.STUCK,
        ]


def test_a_sound_run_has_neither(tmp_path: Path) -> None:
    path = tmp_path / "run.h5"
    Train().keep(path)
    with open_run(path) as run:
        assert episodes_of(run.events()) == []
        both = flag_bits.SPIKE | flag_bits.UNSOUND
        assert not any((held.flags() & both).any() for held in run.channels.values())


def test_whatever_the_size_of_the_pieces(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found = []
    for chunk in (500_000, 997):
        monkeypatch.setattr(final_health, "CHUNK", chunk)
        path = tmp_path / f"run{chunk}.h5"
        spoilt().keep(path)
        with open_run(path) as run:
            flags = {name: run.channels[name].flags().tobytes() for name in run.channels}
            found.append((episodes_of(run.events()), flags))
    assert found[0] == found[1]


def test_a_pull_that_came_as_values(tmp_path: Path) -> None:
    """One value a second, the same for three minutes while the speed changes."""
    t = np.arange(400.0)
    speed = 8.0 + 4.0 * np.sin(t / 40.0)
    pull = np.round(50.0 + 3.0 * speed + np.random.default_rng(5).normal(0.0, 1.0, 400), 1)
    pull[100:280] = 61.2
    channels = tuple(
        ChannelHeader(name=n, quantity=n, unit=u, field="")
        for n, u in (("pull", "kN"), ("speed", "m/s"))
    )
    table = DeviceHeader(
        name="table",
        driver="table",
        port="",
        dtype=[["tick", "<u8"]],
        tick_hz=1000.0,
        channels=channels,
    )
    path = tmp_path / "run.h5"
    data = {"table": DeviceData(time_s=t, values={"pull": pull, "speed": speed})}
    write_run(path, header(table, certificates={}), data)
    with open_run(path) as run:
        unsound = np.flatnonzero(run.channels["pull"].flags() & flag_bits.UNSOUND)
        assert [unsound[0], unsound[-1]] == [100, 279]
        assert not run.channels["speed"].flags().any()
        (one,) = episodes_of(run.events())
        assert one.channels == ("pull",)
