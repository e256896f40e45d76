from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from calibration.certificates.force import ForceCertificate
from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import issue_certificate
from calibration.evaluation.results_document import results_document
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import Readings, ReadingsError
from calibration.readings.readings_csv import parse_readings
from calibration.statistics.polynomial_fit import fit_polynomial, t_quantile
from tests.calibration.bench_tables import iso_csv, pontius_csv, rows

STATED = BenchSettings(reference_U_pct=0.02)
TRIALS = 400
# 95 % of 400 trials is 380; the interval that holds all but 1 in 1000 of honest tries.
LOW, HIGH = (stats.binom.ppf(q, TRIALS, 0.95) / TRIALS for q in (0.0005, 0.9995))


def cell(rng: np.random.Generator, *, series: int = 3, noise: float = 60.0) -> Readings:
    """A cell made from known coefficients: reading = 1500 + 8000 F + 0.4 F², with noise."""
    force = np.tile(np.arange(50.0, 501.0, 50.0), series)
    reading = 1500.0 + 8000.0 * force + 0.4 * force**2 + rng.normal(0.0, noise, len(force))
    n = len(force)
    nothing = np.full(n, math.nan)
    return Readings(
        source="made up", force_unit="kN", reading_unit="counts", applied=force,
        reading=reading, series=np.zeros(n, dtype=np.int64), series_names=(),
        position_deg=nothing, direction=np.zeros(n, dtype=np.int8), temperature_C=nothing,
        time_s=nothing, kind=("step",) * n, row=np.arange(n), resolution=1.0,
        superseded=np.zeros(n, dtype=np.bool_),
    )  # fmt: skip


def test_known_coefficients_come_back_within_their_stated_uncertainty() -> None:
    """Each coefficient inside its 95 % interval in 95 % of seeded trials, and not much more."""
    truth = np.array([1500.0, 8000.0, 0.4])
    rng = np.random.default_rng(20260501)
    inside = np.zeros(3)
    for _ in range(TRIALS):
        made = cell(rng)
        fit = fit_polynomial(made.applied, made.reading, 2)
        reach = t_quantile(fit.dof) * fit.standard_errors
        inside += np.abs(fit.coefficients - truth) <= reach
    assert np.all(
        fit.coefficients == evaluate(made, BenchSettings(degree=2)).senses[0].raw.coefficients
    )
    for share in inside / TRIALS:
        assert LOW <= share <= HIGH


def test_results_of_pontius_in_own_units_and_in_si() -> None:
    """NIST StRD Pontius certified values through the file road, and scaled to kN."""
    certified = (0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14)
    errors = (0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16)
    document = results_document(
        evaluate(parse_readings(pontius_csv()), BenchSettings(degree=2))
    )
    assert document["coefficients"] == pytest.approx(certified, rel=1e-11)
    assert document["standard_errors"] == pytest.approx(errors, rel=1e-11)
    assert document["residual_sd"] == pytest.approx(0.205177424076185e-03, rel=1e-11)
    kN = 4.4482216152605e-3
    si = document["si"]
    assert si["units"]["x"] == "kN"
    assert si["coefficients"] == pytest.approx(
        [b / kN**i for i, b in enumerate(certified)], rel=1e-11
    )
    assert si["standard_errors"] == pytest.approx(
        [s / kN**i for i, s in enumerate(errors)], rel=1e-11
    )
    # No zero was read: deflections are the readings.
    for units in ("own_units", "si"):
        assert document["deflection_from_force"][units]["coefficients"] == pytest.approx(
            document[units]["coefficients"], rel=1e-12
        )


def test_the_other_direction_agrees_with_statsmodels() -> None:
    table = rows("nist_pontius.csv")
    x = np.array([float(r["load_x"]) for r in table])
    y = np.array([float(r["deflection_y"]) for r in table])
    result = sm.OLS(x / 1e6, np.vander(y, 3, increasing=True)).fit()
    document = results_document(
        evaluate(parse_readings(pontius_csv()), BenchSettings(degree=2))
    )
    own = document["force_from_deflection"]["own_units"]
    si = document["force_from_deflection"]["si"]
    assert own["coefficients"] == pytest.approx(result.params * 1e6, rel=1e-9)
    assert own["standard_errors"] == pytest.approx(result.bse * 1e6, rel=1e-9)
    # Computed: s of the fit the other way round is 281.2969 load units.
    assert own["residual_sd"] == pytest.approx(281.2969, abs=5e-5)
    assert si["residual_sd"] == pytest.approx(281.2969 * 4.4482216152605e-3, rel=1e-6)
    assert document["inverse_check"]["agrees"] is True
    assert document["inverse_check"]["round_trip_error"] < 1e-6


def test_zero_is_taken_off_per_series_but_not_from_the_plain_fit() -> None:
    text = "series,applied_kN,reading\n"
    for s, zero in ((1, 100.0), (2, 300.0)):
        text += "".join(f"{s},{f},{zero + 10 * f}\n" for f in (0, 10, 20, 30))
    part = evaluate(parse_readings(text), BenchSettings(degree=1)).senses[0]
    assert part.raw.coefficients == pytest.approx([200.0, 10.0])
    assert part.raw.n == 8
    assert part.deflection_from_force.coefficients == pytest.approx([0.0, 10.0], abs=1e-9)
    assert part.deflection_from_force.residual_sd == pytest.approx(0.0, abs=1e-9)
    assert part.working.coefficients == pytest.approx([0.0, 0.1])
    assert part.zero == 200.0


def test_both_senses_are_figured_apart_and_meet_at_zero() -> None:
    text = "series,applied_kN,reading\n"
    text += "".join(f"T,{f},{500 + 100 * f + 0.1 * f * f}\n" for f in range(0, 101, 10))
    text += "".join(f"C,{-f},{500 - 98 * f}\n" for f in range(0, 101, 10))
    evaluation = evaluate(parse_readings(text), STATED)
    assert [part.name for part in evaluation.senses] == ["tension", "compression"]
    assert [part.degree for part in evaluation.senses] == [2, 1]
    document = results_document(evaluation)
    assert set(document["by_sense"]) == {"tension", "compression"}
    certificate = issue_certificate(evaluation)
    assert certificate.range_kN == (-100.0, 100.0)
    at = certificate.to_force([-9800, -1e-6, 0, 1e-6, 11000], zero_counts=0)
    assert at == pytest.approx([-100.0, 0.0, 0.0, 0.0, 100.0], abs=1e-3)


def test_results_are_plain_json() -> None:
    for text in (pontius_csv(), iso_csv(noise=40.0), iso_csv(sign=-1.0)):
        document = results_document(evaluate(parse_readings(text), BenchSettings()))
        assert json.loads(json.dumps(document, allow_nan=False)) == document


def test_a_degree_the_readings_cannot_carry_is_refused() -> None:
    text = "applied_kN,reading\n1,10\n2,20\n3,31\n4,40\n"
    with pytest.raises(ReadingsError, match="cannot carry a degree 5"):
        evaluate(parse_readings(text, source="few.csv"), BenchSettings(degree=5))


def test_the_rule_and_the_wish_are_both_shown() -> None:
    document = results_document(
        evaluate(parse_readings(pontius_csv()), BenchSettings(degree=1))
    )
    assert document["degree"] == 1
    assert document["degree_choice"]["degree"] == 2
    assert any("rule chooses 2" in caution for caution in document["cautions"])
    assert any("rejected by the lack-of-fit test" in c for c in document["cautions"])
    assert document["lack_of_fit"]["rejected"] is True


def test_a_certificate_of_one_sense_answers_the_other_alike() -> None:
    certificate = issue_certificate(
        evaluate(parse_readings(iso_csv(sign=-1.0, noise=40.0)), STATED)
    )
    assert isinstance(certificate, ForceCertificate)
    assert certificate.range_kN == (-500.0, 0.0)
    shown = certificate.to_force(1000.0 - 8000.0 * 250.0, zero_counts=1000.0)
    assert shown == pytest.approx(-250.0, rel=1e-4)


@pytest.mark.parametrize("resolution", [1e9, 1e308, 40_100.0])
def test_a_resolution_in_which_nothing_can_be_told_is_refused(resolution: float) -> None:
    """The made cell deflects by 4 000 000 counts: at most 40 000 are allowed."""
    readings = parse_readings(iso_csv(noise=40.0))
    with pytest.raises(ReadingsError, match=r"resolution is .*at most 1 % of it"):
        evaluate(readings, BenchSettings(resolution=resolution))
    assert evaluate(readings, BenchSettings(resolution=39_900.0)).senses


@pytest.mark.parametrize("resolution", [1e308, -1.0, 0.0, math.nan, math.inf])
def test_readings_said_to_be_in_steps_that_cannot_be_are_refused(resolution: float) -> None:
    readings = replace(parse_readings(iso_csv(noise=40.0)), resolution=resolution)
    with pytest.raises(ReadingsError, match="said to be in steps of"):
        evaluate(readings, BenchSettings())


@pytest.mark.parametrize("row", [2, 6, 21])
@pytest.mark.parametrize("value", ["99999999999999", "1e12"])
def test_one_reading_that_dwarfs_all_others_is_named_by_its_row(row: int, value: str) -> None:
    lines = [line.split(",") for line in iso_csv(noise=40.0).splitlines()]
    lines[row - 1][4] = value
    readings = parse_readings("\n".join(",".join(cells) for cells in lines) + "\n")
    with pytest.raises(ReadingsError, match=rf"readings row {row}: reading is 1e\+1[24]"):
        evaluate(readings, BenchSettings())
