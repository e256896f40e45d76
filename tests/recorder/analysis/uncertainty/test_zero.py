"""The zero's part in the figures: accepted zeros only, one line, one uncertainty."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration.field.zero_guards import guard_wheel
from recorder.analysis.campaign.loading import load_run
from recorder.run.checks.zero_line import Zero, ZeroTime
from recorder.run.parts.event import Event
from recorder.run.parts.header import ChannelHeader, DeviceHeader
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.write_whole import DeviceData, write_run
from tests.recorder.cell_runs import CAPACITY_KN, cell_run

TAKEN = {"channel": "pull", "counts": 20_000.0, "sd_counts": 270.0, "n": 2000}
"""As the first version kept a zero: 6 counts of standard uncertainty, 0.0006 kN."""


def run_with(path: Path, *events: Event) -> Path:
    """Two hundred seconds at 50 kN above a zero of 20 000 counts."""
    return cell_run(path, np.full(20_000, 520_000), *events)


def zero_u_kN(path: Path) -> tuple[float, tuple[str, ...]]:
    with open_run(path) as run:
        loaded = load_run(run)
    assert np.nanmedian(loaded.series.pull_kN) == pytest.approx(50.0, abs=1e-3)
    return loaded.instruments.zero_u_kN, loaded.notes


def test_a_refused_zero_is_in_no_figure(tmp_path: Path) -> None:
    """The converter stood at its rail: 8 388 607 counts, refused, and nothing like the zero."""
    refused = {**TAKEN, "counts": 8_388_607.0, "sd_counts": 1e6, "n": 1, "accepted": False}
    path = run_with(
        tmp_path / "run.h5",
        Event(kind="zero", t_s=0.0, data=dict(TAKEN)),
        Event(kind="zero", t_s=100.0, data=refused),
    )
    u_kN, _ = zero_u_kN(path)
    alone = run_with(tmp_path / "alone.h5", Event(kind="zero", t_s=0.0, data=dict(TAKEN)))
    assert u_kN == pytest.approx(zero_u_kN(alone)[0], rel=1e-9)


def test_only_refused_zeros_are_no_zero(tmp_path: Path) -> None:
    refused = {"channel": "pull", "counts": 20_000.0, "accepted": False, "text": "nothing came"}
    path = run_with(tmp_path / "run.h5", Event(kind="zero", t_s=0.0, data=refused))
    with open_run(path) as run:
        loaded = load_run(run)
    # Assumed 0.1 % of capacity, and a drift of 0.05 % at once and 0.1 % in each hour (common
    # practice).
    drift = 0.0005 + 0.001 * 200.0 / 3600.0
    assert loaded.instruments.zero_u_kN == pytest.approx(
        math.hypot(0.001, drift) * CAPACITY_KN, rel=1e-3
    )
    assert any("no zero holds" in note for note in loaded.notes)


def test_the_drift_not_seen_is_told_and_is_in_the_uncertainty(tmp_path: Path) -> None:
    event = Event(kind="zero", t_s=0.0, data=dict(TAKEN))
    u_kN, notes = zero_u_kN(run_with(tmp_path / "run.h5", event))
    assert any("what it drifted over the run was not seen" in note for note in notes)
    assert u_kN >= 0.0005 * CAPACITY_KN


def test_a_zero_at_the_end_drifted_as_long_as_one_at_the_beginning(tmp_path: Path) -> None:
    first = Event(kind="zero", t_s=0.0, data=dict(TAKEN))
    last = Event(kind="zero", t_s=199.99, data=dict(TAKEN))
    begun, _ = zero_u_kN(run_with(tmp_path / "begun.h5", first))
    ended, notes = zero_u_kN(run_with(tmp_path / "ended.h5", last))
    assert ended == pytest.approx(begun, rel=1e-6)
    assert any("at both ends of the run" in note for note in notes)


def test_zeros_close_together_show_no_drift_of_the_rest(tmp_path: Path) -> None:
    """Five seconds of 200: as one zero, and told so."""
    zeros = [Event(kind="zero", t_s=t, data=dict(TAKEN)) for t in (0.0, 5.0)]
    u_kN, notes = zero_u_kN(run_with(tmp_path / "run.h5", *zeros))
    assert u_kN >= 0.0005 * CAPACITY_KN
    assert any("2 zeros were taken within 0 min" in note for note in notes)


def test_zeros_at_both_ends_need_nothing_assumed(tmp_path: Path) -> None:
    zeros = [Event(kind="zero", t_s=t, data=dict(TAKEN)) for t in (0.0, 199.99)]
    u_kN, notes = zero_u_kN(run_with(tmp_path / "run.h5", *zeros))
    assert u_kN == pytest.approx(0.0006, rel=0.02)
    assert not any("drifted" in note for note in notes)


def test_less_knowledge_of_the_zero_is_never_surer(tmp_path: Path) -> None:
    """No zero, one, and one at each end."""
    zeros = [Event(kind="zero", t_s=t, data=dict(TAKEN)) for t in (0.0, 199.99)]
    none, one, two = (open_u_kN(run_with(tmp_path / f"{k}.h5", *zeros[:k])) for k in range(3))
    assert none > one > two


def open_u_kN(path: Path) -> float:
    """Its standard uncertainty, whatever the pull reads."""
    with open_run(path) as run:
        return load_run(run).instruments.zero_u_kN


def test_a_zero_without_uncertainty_is_not_taken_for_exact(tmp_path: Path) -> None:
    """As the car sheet states one: no scatter, no number of counts."""
    stated = {"channel": "pull", "counts": 20_000.0, "sd_counts": 0.0, "n": 0, "when": "sheet"}
    path = run_with(tmp_path / "run.h5", Event(kind="zero", t_s=0.0, data=stated))
    u_kN, notes = zero_u_kN(path)
    drift = 0.0005 + 0.001 * 200.0 / 3600.0
    assert u_kN == pytest.approx(math.hypot(0.001, drift) * CAPACITY_KN, rel=1e-3)
    assert any("without an uncertainty" in note for note in notes)


def test_the_greatest_uncertainty_over_the_run_is_taken(tmp_path: Path) -> None:
    """Two zeros 1000 counts apart: half way between them ± 500 counts, rectangular."""
    path = run_with(
        tmp_path / "run.h5",
        Event(kind="zero", t_s=0.0, data={**TAKEN, "counts": 19_500.0}),
        Event(kind="zero", t_s=200.0, data={**TAKEN, "counts": 20_500.0}),
    )
    u_kN, _ = zero_u_kN(path)
    assert u_kN == pytest.approx(math.hypot(0.0006, 0.05 / math.sqrt(3.0)), rel=0.01)


def run_under_way(path: Path, *zeros: Zero) -> Path:
    """Two hundred seconds at 50 kN and 5 m/s, as values of a wheel; no guard asked anybody."""
    cell = cell_run(path.with_suffix(".cell.h5"), np.full(20_000, 520_000))
    with open_run(cell) as run:
        header, device = run.header, run.devices["cell"]
        data = {"cell": DeviceData(time_s=device.time_s(), records=device.records())}
    speed = ChannelHeader(
        name="speed", quantity="speed", unit="m/s", field="", certificate="",
        standard_uncertainty=0.01,
    )  # fmt: skip
    wheel = DeviceHeader(
        name="wheel", driver="import", port="none", dtype=[["tick", "<u8"]], tick_hz=1e6,
        channels=(speed,),
    )  # fmt: skip
    t = np.arange(2000) / 10.0
    data["wheel"] = DeviceData(time_s=t, values={"speed": np.full(2000, 5.0)})
    events = [zero.to_event() for zero in zeros]
    write_run(path, replace(header, devices=(*header.devices, wheel)), data, events=events)
    return path


def test_a_zero_that_nobody_guarded_is_asked_of_the_recorded_speed(tmp_path: Path) -> None:
    """40 kN between two zeros, the second taken at 5 m/s: it may be force, rectangular."""
    first = Zero(channel="pull", t_s=0.0, counts=20_000.0, u_counts=6.0, when=ZeroTime.BEFORE)
    false = Zero(channel="pull", t_s=150.0, counts=420_000.0, u_counts=6.0, seconds=3.0)
    with open_run(run_under_way(tmp_path / "run.h5", false)) as run:
        loaded = load_run(run)
    assert loaded.instruments.zero_u_kN >= 42.0 / math.sqrt(3.0)
    assert any("moved at 5.0 m/s while the zero at 150.0 s" in note for note in loaded.notes)
    guards = (guard_wheel(0, m_per_pulse=None, device="wheel"),)
    asked = replace(false, guards=guards)
    with open_run(run_under_way(tmp_path / "asked.h5", asked)) as run:
        loaded = load_run(run)
    assert not any("while the zero" in note for note in loaded.notes)
    both = run_under_way(tmp_path / "both.h5", first, replace(false, withdrawn="x", revision=1))
    with open_run(both) as run:
        assert not any("while the zero at 150" in note for note in load_run(run).notes)


def test_a_zero_that_may_be_force_is_worth_no_more_than_none(tmp_path: Path) -> None:
    """It lies where the certificate's zero does, which shows nothing: at 5 m/s it is chance."""
    taken = Zero(channel="pull", t_s=150.0, counts=0.0, u_counts=6.0, seconds=3.0)
    for name, zero in (("sure", taken), ("unsure", replace(taken, u_counts=math.nan))):
        with open_run(run_under_way(tmp_path / f"{name}.h5", zero)) as run:
            u_kN = load_run(run).instruments.zero_u_kN
        # 0.1 % of the capacity, as of no zero at all (from experience).
        assert u_kN >= 0.001 * CAPACITY_KN
