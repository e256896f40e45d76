"""The decision rule: guarded both ways, and every word apart from the others."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from recorder.analysis.specification.verdicts import (
    StartingVerdict,
    Verdict,
    judge_margin,
    judge_starting,
)
from recorder.analysis.stretches.specification import Specification
from recorder.analysis.uncertainty.measured import Measured
from tests.recorder.analysis.drawn_runs import cause, kN

SPECIFICATION = Specification(
    name="promise",
    speed_m_s=(5.0, 10.0, 20.0),
    pull_kN=(200.0, 150.0, 60.0),
)


@given(st.floats(-50, 50), st.floats(0.01, 20))
def test_the_probability_is_the_normal_one_for_many_degrees_of_freedom(
    value: float, u: float
) -> None:
    """JCGM 106:2012, 7.2: the share of the distribution above the limit."""
    _, probability = judge_margin(kN(value, a=u))
    assert probability == pytest.approx(stats.norm.cdf(value / u), abs=1e-6)


@given(st.floats(-50, 50), st.floats(0.01, 20))
def test_the_rule_is_symmetric(value: float, u: float) -> None:
    word, probability = judge_margin(kN(value, a=u))
    mirrored, mirror = judge_margin(kN(-value, a=u))
    assert probability == pytest.approx(1.0 - mirror, abs=1e-9)
    pairs = {Verdict.MEETS: Verdict.DOES_NOT_MEET, Verdict.DOES_NOT_MEET: Verdict.MEETS}
    assert mirrored == pairs.get(word, Verdict.CANNOT_TELL)


@pytest.mark.parametrize(
    ("times_u", "word"),
    [
        (1.70, Verdict.MEETS),
        (1.60, Verdict.CANNOT_TELL),
        (0.0, Verdict.CANNOT_TELL),
        (-1.60, Verdict.CANNOT_TELL),
        (-1.70, Verdict.DOES_NOT_MEET),
    ],
)
def test_the_guard_band_is_1_645_standard_uncertainties(times_u: float, word: Verdict) -> None:
    """The 95 % point of the normal distribution is 1.645."""
    assert judge_margin(kN(3.0 * times_u, a=3.0))[0] is word


def test_few_degrees_of_freedom_widen_the_guard() -> None:
    """Student's t with 2 degrees of freedom: 2.920 at 95 % (GUM, table G.2, one-sided)."""
    part = cause("scatter")
    for times_u, word in ((2.8, Verdict.CANNOT_TELL), (3.1, Verdict.MEETS)):
        margin = Measured(times_u, "kN", {part: 1.0}, {part: 2.0})
        assert judge_margin(margin)[0] is word


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_margin_that_is_no_number_tells_nothing(value: float) -> None:
    word, probability = judge_margin(kN(value, a=1.0))
    assert word is Verdict.CANNOT_TELL
    assert math.isnan(probability)


@pytest.mark.parametrize(
    ("starting", "limit", "word"),
    [
        (None, None, StartingVerdict.NOT_SPECIFIED),
        (kN(300.0, a=1.0), None, StartingVerdict.NOT_SPECIFIED),
        (None, 250.0, StartingVerdict.NOT_TESTED),
        (kN(300.0, a=1.0), 250.0, StartingVerdict.MEETS),
        (kN(200.0, a=1.0), 250.0, StartingVerdict.NOT_SHOWN),
        (kN(250.5, a=1.0), 250.0, StartingVerdict.NOT_SHOWN),
    ],
)
def test_a_start_that_needed_less_proves_nothing_against_the_locomotive(
    starting: Measured | None, limit: float | None, word: StartingVerdict
) -> None:
    assert judge_starting(starting, limit) is word


@pytest.mark.parametrize(
    ("speed", "limit"), [(5.0, 200.0), (7.5, 175.0), (10.0, 150.0), (15.0, 105.0), (20.0, 60.0)]
)
def test_between_points_the_specification_is_straight(speed: float, limit: float) -> None:
    assert SPECIFICATION.limit_kN(speed) == pytest.approx(limit)


@pytest.mark.parametrize("speed", [0.0, 4.99, 20.01, 60.0])
def test_beyond_its_points_the_specification_says_nothing(speed: float) -> None:
    assert math.isnan(SPECIFICATION.limit_kN(speed))


@pytest.mark.parametrize(
    ("margin", "word", "sure"),
    [(0.0, Verdict.MEETS, 1.0), (0.3, Verdict.MEETS, 1.0), (-0.3, Verdict.DOES_NOT_MEET, 0.0)],
)
def test_what_is_known_exactly_is_decided(margin: float, word: Verdict, sure: float) -> None:
    """JCGM 106:2012: no uncertainty, no guard; at the limit it conforms."""
    assert judge_margin(kN(margin)) == (word, sure)


def test_less_than_one_degree_of_freedom_counts_as_one() -> None:
    """Student's t with one is Cauchy's distribution: 1/2 + atan(x) / π."""
    part = cause("scatter")
    _, probability = judge_margin(Measured(3.0, "kN", {part: 1.0}, {part: 0.4}))
    assert probability == pytest.approx(0.5 + math.atan(3.0) / math.pi, abs=1e-9)


def test_the_diode_of_the_guide_conforms_with_its_probability() -> None:
    """JCGM 106:2012, 7.3 (from memory): a Zener diode's breakdown voltage of −5.47 V, standard
    uncertainty 0.05 V, against a greatest of −5.40 V conforms with 92 %: not accepted at 95 %."""
    word, probability = judge_margin(kN(-5.40 - -5.47, a=0.05))
    assert probability == pytest.approx(0.92, abs=0.005)
    assert word is Verdict.CANNOT_TELL


def test_the_speed_limit_of_the_guide_is_exceeded_for_sure_from_107() -> None:
    """JCGM 106:2012, 8.3 (from memory): limit 100 km/h, relative standard uncertainty 2 %; from
    107 km/h the limit was exceeded with at least 99.9 %."""
    for shown, sure in ((106.0, False), (107.0, True)):
        word, probability = judge_margin(kN(shown - 100.0, a=0.02 * shown), risk=0.001)
        assert (word is Verdict.MEETS) is sure
        assert (probability >= 0.999) is sure
