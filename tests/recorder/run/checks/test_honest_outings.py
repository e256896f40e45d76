"""Whole simulated outings with honest instruments: no channel of theirs is ever called unsound."""

from __future__ import annotations

import pytest

from calibration.certificates.certificate import Certificate
from recorder.run.checks.run_health import RunHealth
from simulated_feeds.outing.rendering import render_run_arrays
from simulated_feeds.outing.scenario import make_scenario
from simulated_feeds.sheets.sheet_files import force_certificate, wheel_certificate
from tests.recorder.made_runs import header, load_cell, wheel
from tests.recorder.run.checks.health_cases import Told, receiver

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("seed", range(20))
def test_twenty_five_minutes_with_starts_and_stops(seed: int) -> None:
    """Cells with their own noise, bow and drift of zero; wheels up to a tenth of a per cent out;
    receivers that send late and scatter, with an outage of two minutes."""
    scenario = make_scenario(seed, utc0_ns=1_795_000_000 * 10**9, outages=((600.0, 120.0),))
    run = render_run_arrays(scenario, 1500.0, load_cell_hz=200, wheel_hz=100.0)
    certificates: dict[str, Certificate] = {
        "certs/cell.json": force_certificate(scenario),
        "wheel": wheel_certificate(scenario),
    }
    told = Told()
    health = RunHealth(header(load_cell("drawbar"), wheel(), receiver()), certificates, told)
    for name, held in (("drawbar", run.load_cell), ("wheel", run.wheel), ("gnss", run.gnss)):
        columns = {n: held.records[n] for n in health.columns_of(name)}
        health.feed(name, held.true_s if name != "gnss" else held.received_s, columns)
    health.finish()
    assert told.whole == []
