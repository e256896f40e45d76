from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from calibration.evaluation.evaluation import SenseEvaluation, evaluate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import iso_csv, pontius_csv

HEAD = "series,position_deg,direction,applied_kN,reading,temperature_C,time_s\n"
HEAD_KIND = HEAD.replace("\n", ",kind\n")


def first(text: str, settings: BenchSettings | None = None) -> SenseEvaluation:
    return evaluate(parse_readings(text), settings or BenchSettings()).senses[0]


def number(part: SenseEvaluation, name: str) -> float:
    value = part.figure(name).value
    assert isinstance(value, float), part.figure(name)
    return value


def series(rows: Sequence[tuple[str, float, float]], name: str = "1", *, end: str = "") -> str:
    """Rows of (direction, force, reading), 30 s apart at 20 °C; ``end`` is put behind each."""
    return "".join(
        f"{name},0,{word},{force:g},{reading:g},20,{30 * i}{end}\n"
        for i, (word, force, reading) in enumerate(rows)
    )


def test_zero_return_and_hysteresis() -> None:
    rows = [
        ("up", 0, 100),
        ("up", 50, 600),
        ("up", 100, 1100),
        ("down", 50, 605),
        ("down", 0, 102),
    ]
    part = first(HEAD + series(rows))
    assert number(part, "zero_return") == pytest.approx(0.2)
    assert number(part, "hysteresis") == pytest.approx(0.5)
    assert number(part, "reversibility") == pytest.approx(1.0)


def test_hysteresis_keeps_its_sign_in_compression() -> None:
    rows = [("up", 0, 0), ("up", -50, -500), ("up", -100, -1000), ("down", -50, -505)]
    assert number(first(HEAD + series(rows)), "hysteresis") == pytest.approx(0.5)


def test_nonlinearity_terminal_and_best_fit() -> None:
    # Deflection F + 0.001 F² to 100: the terminal line is 1.1 F; at 50 it misses by -2.5.
    forces = np.linspace(0.0, 100.0, 11)
    rows = [("up", float(f), float(f + 0.001 * f**2)) for f in forces]
    part = first(HEAD + series(rows), BenchSettings(degree=2))
    assert number(part, "nonlinearity_terminal") == pytest.approx(-100 * 2.5 / 110.0, rel=1e-6)
    x = forces[1:]
    y = x + 0.001 * x**2
    expected = y - np.polyval(np.polyfit(x, y, 1), x)
    worst = expected[np.argmax(np.abs(expected))]
    assert number(part, "nonlinearity_best_fit") == pytest.approx(100 * worst / 110.0, rel=1e-6)
    assert number(part, "interpolation_error") == pytest.approx(0.0, abs=1e-9)


def test_replication_is_pooled_over_forces_and_directions() -> None:
    lines = ""
    for name, shift in (("1", 0.0), ("2", 2.0)):
        lines += series(
            [("up", 0, 0), ("up", 50, 500 + shift), ("up", 100, 1000 + shift)], name
        )
    part = first(HEAD + lines)
    # Two groups, differences of 2: sd of each pair is sqrt 2.
    assert number(part, "replication_sd") == pytest.approx(100 * np.sqrt(2.0) / 1001.0)
    assert part.figure("replication_sd").detail["dof"] == 2


@pytest.mark.parametrize(
    "times", [(30, 300), (0, 270), (0, 30, 120, 300)], ids=["30/300", "step of 270", "from 0"]
)
def test_creep_from_a_hold_at_the_largest_force(times: tuple[int, ...]) -> None:
    start = 600
    lines = HEAD_KIND + series([("up", 0, 0), ("up", 25, 250), ("up", 50, 500)], end=",")
    for t in times:
        share = (t - times[0]) / (times[-1] - times[0])
        if len(times) == 4:
            share = (t - 30) / 270.0 if t else -0.2
        kind = "step" if t == times[0] else "creep"
        lines += f"1,0,up,100,{1000 + share:g},20,{start + t},{kind}\n"
    part = first(lines)
    assert number(part, "creep") == pytest.approx(0.1, rel=2e-3)


def test_what_the_force_changed_during_a_hold_is_not_creep() -> None:
    """The press gives way by 0.1 %, the reading with it; the cell itself creeps by 0.1 %."""
    lines = HEAD_KIND + series([("up", 0, 0), ("up", 25, 250), ("up", 50, 500)], end=",")
    lines += "1,0,up,100,1000,20,600,step\n1,0,up,99.9,1000,20,870,creep\n"
    assert number(first(lines), "creep") == pytest.approx(0.1)


def test_creep_of_another_length_is_not_assessed() -> None:
    lines = HEAD_KIND + series([("up", 0, 0), ("up", 25, 250), ("up", 50, 500)], end=",")
    lines += "1,0,up,100,1000,20,600,step\n1,0,up,100,1001,20,720,creep\n"
    figure = first(lines).figure("creep")
    assert figure.value is None
    assert "longest hold is 120 s" in figure.reason


def test_temperature_effects() -> None:
    lines = HEAD
    for s, (t, zero, gain) in enumerate(((10, 0, 10.0), (30, 20, 10.02), (30, 20, 10.02))):
        for i, force in enumerate((0.0, 50.0, 100.0)):
            lines += f"{s},0,up,{force},{zero + gain * force:.3f},{t},{600 * s + 30 * i}\n"
    part = first(lines, BenchSettings(degree=1))
    # Zero moves 20 in 20 K of about 1001; span 0.2 % in 20 K.
    assert number(part, "temperature_effect_zero") == pytest.approx(0.1, rel=2e-3)
    assert number(part, "temperature_effect_span") == pytest.approx(0.01, rel=2e-2)


def test_temperatures_too_close_are_not_assessed() -> None:
    part = first(iso_csv())
    for name in ("temperature_effect_zero", "temperature_effect_span"):
        figure = part.figure(name)
        assert figure.value is None
        assert "5 K apart" in figure.reason


def test_resolution_in_kilonewtons() -> None:
    assert number(first(iso_csv()), "resolution") == pytest.approx(1.0 / 8000.0, rel=1e-6)
    stated = first(iso_csv(), BenchSettings(resolution=40.0))
    assert number(stated, "resolution") == pytest.approx(0.005, rel=1e-6)


def test_every_figure_has_a_unit_and_a_value_or_a_reason() -> None:
    thin = series([("up", 10, 1), ("up", 20, 2)]) + series(
        [("up", 10, 1), ("up", 30, 3.1)], "2"
    )
    for text in (pontius_csv(), iso_csv(noise=20.0), HEAD + thin):
        for figure in first(text).figures:
            assert figure.unit
            assert figure.formula
            assert figure.source
            assert figure.value is not None or figure.reason


def test_dense_forces_are_not_run_together_into_one_level() -> None:
    rng = np.random.default_rng(1)
    force = np.sort(rng.uniform(1.0, 100.0, 1000))
    reading = 10.0 * force + rng.normal(0.0, 0.1, 1000)
    text = "applied_kN,reading\n" + "".join(
        f"{f:.4f},{r:.3f}\n" for f, r in zip(force, reading, strict=True)
    )
    part = first(text)
    assert len(part.loads.levels) > 900
    assert part.raw.coefficients[1] == pytest.approx(10.0, rel=1e-3)


def test_forces_near_the_plan_are_one_level_and_brought_to_it() -> None:
    lines = ""
    for name, off in (("1", 0.05), ("2", -0.05)):
        lines += series([("up", 0, 0)] + [
            ("up", f + off, 10.0 * (f + off)) for f in (50.0, 100.0, 150.0)], name)  # fmt: skip
    a = first(HEAD + lines).loads
    assert a.levels == pytest.approx([50.0, 100.0, 150.0])
    assert a.mean_at_levels() == pytest.approx([500.0, 1000.0, 1500.0])


@pytest.mark.parametrize(
    ("column", "sd", "expected"),
    [
        ("reading", "", 1.0),
        ("reading", "0.2", 1.0),
        ("reading", "5", 15.0),
        # Means of counts printed to a tenth: the converter's own step is still one.
        ("reading_counts", "", 1.0),
    ],
)
def test_the_unloaded_indication_resolves_half_of_what_it_moves(
    column: str, sd: str, expected: float
) -> None:
    head = f"series,position_deg,direction,applied_kN,{column},sd_counts\n"
    decimals = 1 if column == "reading_counts" else 0
    rows = [
        f"{s},0,up,{50 * i},{100 + 8001 * i + 0.1 * decimals:.{decimals}f},{'' if i else sd}\n"
        for s in ("a", "b") for i in range(11)
    ]  # fmt: skip
    figure = first(head + "".join(rows)).figure("resolution_unloaded")
    assert figure.value == pytest.approx(expected * 50.0 / 8001.0, rel=1e-3)


def test_means_of_unknown_steps_resolve_nobody_knows_what() -> None:
    rows = [f"{50 * i},{0.123456789123 * i}\n" for i in range(11)]
    figure = first("applied_kN,reading_mV_V\n" + "".join(rows)).figure("resolution_unloaded")
    assert figure.value is None
    assert "step of the indication is not known" in figure.reason
