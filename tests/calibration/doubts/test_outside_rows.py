"""Readings that contradict the uncertainty made of them are told, and refuse the certificate."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.certificates.certificate import full_document
from calibration.doubts.doubt import DoubtKind
from calibration.doubts.outside_rows import outside_doubts
from calibration.evaluation.evaluation import Evaluation, evaluate
from calibration.evaluation.issue import issue_certificate
from calibration.evaluation.verify import verify_document
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import ReadingsError
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import iso_csv
from tests.calibration.doubts.drawn_tables import honest, rows_of, table_of

SERIES, DIRECTION, APPLIED, READING = 0, 2, 3, 4


def tight(**facts: object) -> BenchSettings:
    """Nearly nothing but what the readings show."""
    document = {
        "reference_U_pct": 0.02, "stability_pct": 0.01, "service_temperature_C": [18, 24],
        "data_sheet": {"creep_pct": 0.02, "temperature_zero_pct_per_K": 0.001,
                       "temperature_span_pct_per_K": 0.001},
    }  # fmt: skip
    return BenchSettings.from_document({**document, **facts})


def off(series: str, direction: str = "", share: float = 0.02) -> Evaluation:
    rows = rows_of(iso_csv(noise=60.0, loop=0.001, rotation=(0.0, 4e-4, -3e-4), seed=4))
    for row in rows[1:]:
        if row[SERIES] == series and direction in row[DIRECTION]:
            row[READING] = f"{1000 + (float(row[READING]) - 1000) * (1 + share):.0f}"
    return evaluate(table_of(rows), tight())


@pytest.mark.parametrize(("series", "direction"), [("X3", "down"), ("X2", "")])
def test_a_part_of_the_table_that_contradicts_U_refuses_the_certificate(
    series: str, direction: str
) -> None:
    found = [d for d in off(series, direction).doubts if d.kind is DoubtKind.OUTSIDE]
    assert len(found) == 1
    assert "readings lie farther from the curve" in found[0].text
    assert "times U" in found[0].text
    with pytest.raises(ReadingsError, match="farther from the curve"):
        issue_certificate(off(series, direction))


def test_a_good_table_does_not_contradict_it() -> None:
    assert off("X3", "down", 0.0).doubts == ()
    # Without the reference there is no U to contradict.
    bare = evaluate(parse_readings(iso_csv(noise=60.0)), BenchSettings())
    assert bare.doubts == ()


def test_the_word_makes_them_stand() -> None:
    first = off("X3", "down")
    rows = tuple(sorted({row for d in first.doubts for row in d.rows}))
    stated = tight(accepted_rows=list(rows), accepted_reason="the press was checked since")
    certificate = issue_certificate(evaluate(first.readings, stated))
    assert any("checked since" in c for c in certificate.details["results"]["cautions"])
    assert verify_document(full_document(certificate), source="c") == []


def test_as_many_as_chance_allows_are_none() -> None:
    """Of 60 readings 3 are expected outside; 11 or more have a chance below 0.001."""
    readings = table_of(rows_of(iso_csv()))
    readings = readings.pick(readings.applied != 0.0)
    n = len(readings)
    U = np.ones(n)
    for outside, doubted in ((3, False), (8, False), (12, True)):
        away = np.where(np.arange(n) < outside, 1.5, 0.9)
        assert bool(outside_doubts(readings, away, U, ())) is doubted
    one = np.where(np.arange(n) == 7, -2.1, 0.0)
    (doubt,) = outside_doubts(readings, one, U, ())
    assert doubt.rows == (int(readings.row[7]),)
    assert outside_doubts(readings, one, U, doubt.rows) == []
    assert outside_doubts(readings, one, np.full(n, np.nan), ()) == []


@pytest.mark.slow
def test_honest_tables_hardly_ever_contradict_it() -> None:
    """At most one in a hundred, with next to nothing but the readings in U."""
    trials, alarmed = 100, 0
    for seed in range(trials):
        readings = table_of(rows_of(honest(np.random.default_rng((17, seed)))))
        found = evaluate(readings, tight()).doubts
        alarmed += any(d.kind is DoubtKind.OUTSIDE for d in found)
    assert alarmed <= 0.01 * trials
