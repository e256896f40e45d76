"""Channels that fail on real ports: told to the crew, flagged and listed in the sealed run."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from calibration.quantities import flags as flag_bits
from recorder.run.checks.channel_health import HealthFault, episodes_of
from recorder.run_file.hdf5.reader import open_run
from simulated_feeds.serving.serving import start_feed
from tests.end_to_end.conftest import command

pytestmark = pytest.mark.slow

FAULTS = ("spikes:drawbar@12+4", "stuck:drawbar@32+6", "railed:drawbar@42+1")
"""The train leaves at 8 s; what is asked of a count that stands is known half a minute on."""


def test_stuck_spiking_and_railed_on_real_ports(tmp_path: Path) -> None:
    out = tmp_path / "run.h5"
    with start_feed(tmp_path / "feed", seed=7, seconds=48.0, faults=FAULTS) as feed:
        told = command(
            "record", feed.sheets["car"], feed.sheets["trip"], "--out", out, "--headless",
            "--seconds", "46", "--zero-seconds", "0",
        )  # fmt: skip
    assert told.returncode == 0, told.stderr
    said = told.stdout + told.stderr
    assert "pull stuck since" in said
    assert "pull spiking since" in said
    assert "pull railed since" in said
    with open_run(out) as run:
        pull = run.channels["pull"]
        t, flags = pull.time_s(), pull.flags()
        found = {e.fault: e for e in episodes_of(run.events())}
    assert set(found) == {HealthFault.STUCK, HealthFault.SPIKING, HealthFault.RAILED}
    stuck = found[HealthFault.STUCK]
    assert stuck.t_stop_s - stuck.t_start_s == pytest.approx(6.0, abs=0.02)
    unsound = t[flags & flag_bits.UNSOUND != 0]
    assert [unsound[0], unsound[-1]] == pytest.approx(
        [stuck.t_start_s, stuck.t_stop_s], abs=0.01
    )
    assert np.count_nonzero(flags & flag_bits.SPIKE) == found[HealthFault.SPIKING].samples == 4
    assert np.count_nonzero(flags & flag_bits.SATURATED) == pytest.approx(2000, abs=10)
    listed = json.loads(command("info", out, "--json").stdout)["channel_health"]
    assert {row["fault"] for row in listed} == {"stuck", "spiking", "railed"}
