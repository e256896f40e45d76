from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.report.certificate.force_paper import opened
from recorder.report.certificate.force_results import Sense, line_above, series_part, two_digits
from recorder.report.certificate.paper import Table, Words
from tests.calibration.bench_tables import iso_csv
from tests.calibration.made_certificates import made


@given(st.lists(st.floats(1e-6, 10.0), min_size=2, max_size=30), st.floats(0.1, 1e4))
def test_a_bound_is_nowhere_below_and_touches(values: list[float], reach: float) -> None:
    force, U = np.linspace(0.0, reach, len(values)), np.array(values)
    offset, slope = line_above(force, U)
    room = offset + slope * force - U
    assert offset >= 0.0
    assert slope >= 0.0
    assert np.all(room >= -1e-6 * U.max())
    assert room.min() <= 1e-6 * U.max()


@given(st.floats(1e-6, 1e4))
def test_an_uncertainty_has_two_digits_and_no_exponent(value: float) -> None:
    shown = two_digits(value)
    assert "e" not in shown
    assert abs(float(shown) - value) <= 0.051 * value


def test_readings_without_a_zero_stand_less_that_of_the_curve() -> None:
    heads, *lines = iso_csv(noise=5.0).splitlines()
    table = [heads]
    for line in lines:
        fields = line.split(",")
        if fields[3] != "0":
            fields[4] = f"{float(fields[4]) + 12345.0:g}"
            table.append(",".join(fields))
    held = opened(made("\n".join(table) + "\n"))
    parts = series_part(Sense(held, 1))
    (shown,) = [part for part in parts if isinstance(part, Table)]
    for force, *readings in shown.rows:
        told = [reading for reading in readings if reading != "–"]
        assert told
        for reading in told:
            # 8000 counts a kN on 13345 counts at no force; scatter 5 counts.
            assert float(reading) == pytest.approx(8000.0 * float(force), abs=40.0)
    words = " ".join(part.text for part in parts if isinstance(part, Words))
    assert "No zero was read: that of the curve, 133" in words
