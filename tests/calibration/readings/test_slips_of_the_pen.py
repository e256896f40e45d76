"""One slip in a sound table: its row is named, or the certificate is the sound one's within U.

Drawn slips; 0 of 450 moved the curve by more than three tenths of U when this was written.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from functools import cache

import numpy as np
import pytest

from calibration.certificates.force import ForceCertificate
from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import issue_certificate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import ReadingsError
from calibration.readings.readings_csv import parse_readings
from tests.calibration.readings.damaged_tables import FORCE, READING, Rows, sound, text_of

STATED = BenchSettings(reference_U_pct=0.02, issued=date(2026, 5, 4))
COUNTS = np.linspace(4e5, 4e6, 10)
DRAWS = 6


@cache
def issued(text: str) -> ForceCertificate:
    return issue_certificate(evaluate(parse_readings(text), STATED))


def _cell(change: Callable[[str, int], str]) -> Callable[[Rows, np.random.Generator], None]:
    def slip(rows: Rows, rng: np.random.Generator) -> None:
        row, column = rows[rng.integers(1, len(rows))], rng.choice((FORCE, READING))
        row[column] = change(row[column], int(rng.integers(len(row[column]))))

    return slip


def _digits_exchanged(text: str, at: int) -> str:
    return text[:at] + text[at + 1 : at + 2] + text[at : at + 1] + text[at + 2 :]


def _exchanged(column: int) -> Callable[[Rows, np.random.Generator], None]:
    def slip(rows: Rows, rng: np.random.Generator) -> None:
        a, b = (rows[i] for i in rng.choice(np.arange(1, len(rows)), 2, replace=False))
        a[column], b[column] = b[column], a[column]

    return slip


def _one_row_down(rows: Rows, rng: np.random.Generator) -> None:
    """Some readings in turn, each written a row too low, the last one in the first place."""
    first = int(rng.integers(1, len(rows) - 8))
    some = rows[first : first + int(rng.integers(3, 8))]
    values = [row[READING] for row in some]
    for row, value in zip(some, values[-1:] + values[:-1], strict=True):
        row[READING] = value


def _rows_exchanged(rows: Rows, rng: np.random.Generator) -> None:
    a, b = rng.choice(np.arange(1, len(rows)), 2, replace=False)
    rows[a], rows[b] = rows[b], rows[a]


SLIPS = {
    "digits exchanged": _cell(_digits_exchanged),
    "digit lost": _cell(lambda text, at: text[:at] + text[at + 1 :]),
    "digit twice": _cell(lambda text, at: text[:at] + text[at : at + 1] + text[at:]),
    "another digit": _cell(lambda text, at: text[:at] + "7" + text[at + 1 :]),
    "row lost": lambda rows, rng: rows.__delitem__(int(rng.integers(1, len(rows)))),
    "readings exchanged": _exchanged(READING),
    "forces exchanged": _exchanged(FORCE),
    "rows exchanged": _rows_exchanged,
    "one row down": _one_row_down,
}


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(DRAWS))
@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_named_or_does_no_harm(slip: str, seed: int) -> None:
    rows = sound()
    SLIPS[slip](rows, np.random.default_rng(seed))
    right = issued(text_of(sound()))
    certificate = None
    try:
        certificate = issued(text_of(rows))
    except ReadingsError as error:
        refusal = str(error)
    if certificate is None:
        assert re.search(r"rows? \d+", refusal)
        return
    true = right.to_force(COUNTS, zero_counts=0.0)
    off = np.abs(certificate.to_force(COUNTS, zero_counts=0.0) - true)
    assert np.all(off < 0.5 * np.asarray(right.expanded_uncertainty_kN(true)))
