"""How sure the zero is at any time: seen by the zeros, or assumed where they do not show it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.certificates.force import ForceCertificate
from recorder.run.checks.zero_line import Zero, ZeroLine
from recorder.run.checks.zero_uncertainty import greatest_zero_u_kN, shows_drift, zero_u_kN

CELL = ForceCertificate.from_coefficients((0.0, 1e-4), capacity_kN=500.0)
HOUR = 3600.0


def through(*rows: tuple[float, float, float]) -> ZeroLine:
    line = ZeroLine.through(
        Zero(channel="pull", t_s=t, counts=c, u_counts=u) for t, c, u in rows
    )
    assert line is not None
    return line


def u_at(line: ZeroLine | None, t_s: float, duration_s: float = HOUR) -> float:
    return float(zero_u_kN(line, CELL, t_s, duration_s=duration_s))


def test_one_zero_is_as_good_as_taken_and_drifts_from_there() -> None:
    """0.05 % at once and 0.1 % in the hour, of 500 kN."""
    line = through((0.0, 7.0, 300.0))
    assert u_at(line, 0.0) == pytest.approx(0.03)
    assert u_at(line, HOUR) == pytest.approx(math.hypot(0.03, 0.75))
    assert not shows_drift(line, HOUR)


def test_no_zero_is_the_certificates_and_drifts_over_all_of_the_run() -> None:
    assert u_at(None, 0.0) == pytest.approx(math.hypot(0.5, 0.75))


def test_zeros_at_both_ends_show_the_drift() -> None:
    """6000 counts of change: half way ± 0.3 kN, rectangular; no drift is assumed."""
    line = through((0.0, 0.0, 0.0), (HOUR, 6000.0, 0.0))
    assert shows_drift(line, HOUR)
    assert u_at(line, HOUR / 2.0) == pytest.approx(0.3 / math.sqrt(3.0))
    assert u_at(line, HOUR) == 0.0


def test_zeros_close_together_say_nothing_of_the_rest() -> None:
    line = through((0.0, 0.0, 0.0), (60.0, 0.0, 0.0))
    assert u_at(line, 30.0) == 0.0
    assert u_at(line, HOUR) == pytest.approx(0.25 + 0.5 * (HOUR - 60.0) / HOUR)


def test_temperature_that_was_seen_to_change_counts() -> None:
    u = zero_u_kN(through((0.0, 0.0, 0.0)), CELL, HOUR, duration_s=HOUR, span_K=20.0)
    assert float(u) == pytest.approx(math.hypot(0.75, 0.2))


def test_an_unknown_uncertainty_is_not_none() -> None:
    """0.1 % of 500 kN for the zero that came without one."""
    line = through((0.0, 0.0, math.nan), (HOUR, 0.0, 100.0))
    assert u_at(line, 0.0) == pytest.approx(0.5)
    assert greatest_zero_u_kN(line, CELL, duration_s=HOUR) == pytest.approx(0.5)


def test_the_greatest_is_looked_for_in_the_run_only() -> None:
    line = through((-HOUR, 0.0, 0.0), (HOUR, 6000.0, 0.0))
    assert greatest_zero_u_kN(line, CELL, duration_s=HOUR) == pytest.approx(
        0.3 / math.sqrt(3.0), rel=1e-3
    )


@given(
    st.lists(
        st.tuples(st.integers(0, 3600), st.floats(-1e5, 1e5), st.floats(0.0, 1e4)), max_size=5
    ),
    st.floats(0.0, HOUR),
)
def test_nowhere_is_it_surer_than_its_greatest_and_never_unknown(
    rows: list[tuple[int, float, float]], t_s: float
) -> None:
    line = ZeroLine.through(
        Zero(channel="pull", t_s=float(t), counts=c, u_counts=u) for t, c, u in rows
    )
    u, greatest = u_at(line, t_s), greatest_zero_u_kN(line, CELL, duration_s=HOUR)
    assert np.isfinite(u)
    # Its own points lie within a thirty-third of a step.
    assert u <= greatest * 1.01 + 1e-12
