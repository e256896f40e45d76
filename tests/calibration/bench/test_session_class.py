"""A guided session keeps every condition of a class by itself, where what is stated suffices."""

from __future__ import annotations

from pathlib import Path

import pytest

from calibration.evaluation.issue import issue_certificate
from calibration.figures.figure import Figure
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench.made_bench import Bench
from tests.calibration.bench_tables import stated


def judged(path: Path, *, temperature_C: float | None) -> tuple[Figure, Bench]:
    """The whole plan, each force typed as measured."""
    bench = Bench(path, settings=stated(capacity_kN=500.0))
    bench.temperature_C = temperature_C
    while (step := bench.session.current) is not None:
        bench.take(step.applied_kN if step.applied_kN else None)
    return bench.session.evaluate().senses[0].figure("iso376_class"), bench


@pytest.mark.slow
def test_a_guided_session_earns_its_class(tmp_path: Path) -> None:
    """Noise of 30 counts: r is near 100 counts, and 4000 of them lie about 50 kN."""
    figure, bench = judged(tmp_path / "cell.bench", temperature_C=21.0)
    assert figure.value in ("00", "0.5")
    assert {c["state"] for c in figure.detail["conditions"]} == {"held"}
    certificate = issue_certificate(bench.session.evaluate())
    results = certificate.details["results"]["figures"]
    assert results["iso376_class"]["value"] == figure.value
    half = results["resolution_unloaded"]["detail"]["half_fluctuation"]
    assert half == pytest.approx(100.0, rel=0.2)
    table = parse_readings(bench.session.to_csv())
    assert table.sd.shape == table.reading.shape


@pytest.mark.slow
def test_without_a_temperature_the_session_earns_none(tmp_path: Path) -> None:
    figure, _ = judged(tmp_path / "cell.bench", temperature_C=None)
    assert figure.value is None
    assert "temperature: not stated of" in figure.reason
