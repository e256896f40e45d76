"""The demo's own certificate: made at a simulated bench by our own means, and verified by them."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from calibration.certificates.certificate import dump_certificate
from recorder.command_line.main import main
from simulated_feeds.outing.scenario import make_scenario
from simulated_feeds.sheets.bench_cell import SERIAL, bench_certificate
from simulated_feeds.sheets.sheet_files import force_certificate, write_sheets

pytestmark = pytest.mark.slow

UTC0 = 1_795_000_000 * 10**9
DAY = date(2026, 11, 18)
PORTS = {"drawbar": "/dev/a", "wheel": "/dev/b", "clock": "/dev/c"}


@pytest.mark.parametrize("seed", [1, 2, 7])
def test_it_is_as_sure_as_the_scenario_states_and_holds_the_cell(seed: int) -> None:
    scenario = make_scenario(seed, utc0_ns=UTC0)
    made, drawn = bench_certificate(scenario, DAY), force_certificate(scenario)
    force = np.linspace(-600.0, 600.0, 25)
    ratio = made.standard_uncertainty_kN(force) / drawn.standard_uncertainty_kN(force)
    assert np.all((ratio > 0.7) & (ratio < 1.4)), ratio
    error = made.to_force(scenario.cell.deflection(force), zero_counts=0.0) - force
    assert np.all(np.abs(error) <= made.expanded_uncertainty_kN(force))
    assert made.zero_limit_counts == pytest.approx(drawn.zero_limit_counts, rel=0.05)
    assert abs(made.nominal_zero_counts - scenario.cell.zero_counts) < 500.0
    assert made.range_kN == (-600.0, 600.0)
    assert not made.is_expired(DAY)


def test_it_claims_a_class_in_both_senses() -> None:
    made = bench_certificate(make_scenario(1, utc0_ns=UTC0), DAY)
    for part in made.details["results"]["by_sense"].values():
        assert part["figures"]["iso376_class"]["value"] == "0.5"
        assert part["figures"]["creep"]["value"] is not None


def test_the_same_seed_gives_the_same_file() -> None:
    one, two = (
        dump_certificate(bench_certificate(make_scenario(3, utc0_ns=UTC0), DAY))
        for _ in range(2)
    )
    assert one == two


def test_bench_verify_and_bench_pdf_work_on_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    files = write_sheets(tmp_path, make_scenario(1, utc0_ns=UTC0), PORTS, from_bench=True)
    assert f'serial = "{SERIAL}"' in files.car.read_text("utf-8")
    path = str(files.pull_certificate)
    assert main(["bench", "verify", path, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["agrees"]
    assert main(["bench", "pdf", path, "--out", str(tmp_path / "pull.pdf")]) == 0
    assert (tmp_path / "pull.pdf").read_bytes().startswith(b"%PDF-")


def test_a_drawn_one_has_no_serial_to_name(tmp_path: Path) -> None:
    files = write_sheets(tmp_path, make_scenario(1, utc0_ns=UTC0), PORTS)
    assert "serial" not in files.car.read_text("utf-8")
