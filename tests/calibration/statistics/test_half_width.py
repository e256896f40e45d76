"""The exact half-width of a sum, against closed forms, published cases and plain drawing."""

from __future__ import annotations

import itertools
import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import stats

from calibration.statistics.half_width import Part, Shape, half_width

NORMAL, T, RECT, TRI, TWO = (
    Shape.NORMAL, Shape.STUDENT, Shape.RECTANGLE, Shape.TRIANGLE, Shape.TWO_POINT,
)  # fmt: skip


def drawn(parts: list[Part], n: int, seed: int) -> NDArray[np.float64]:
    """n sums, part by part from numpy's own generators."""
    rng = np.random.default_rng(seed)
    total = np.zeros(n)
    for p in parts:
        if p.shape is NORMAL:
            total += p.width * rng.standard_normal(n)
        elif p.shape is T:
            total += p.width * rng.standard_t(p.dof, n)
        elif p.shape is RECT:
            total += p.width * rng.uniform(-1.0, 1.0, n)
        elif p.shape is TRI:
            total += p.width * rng.triangular(-1.0, 0.0, 1.0, n)
        else:
            total += p.width * rng.choice((-1.0, 1.0), n)
    return total


@pytest.mark.parametrize("level", [0.5, 0.68, 0.95, 0.99])
def test_single_parts_have_their_own_quantiles(level: float) -> None:
    tail = 0.5 + level / 2.0
    assert half_width([Part(NORMAL, 2.0)], level=level) == pytest.approx(
        2.0 * stats.norm.ppf(tail), rel=1e-9
    )
    for dof in (1.0, 2.0, 3.0, 4.0, 7.5, 33.0, 119.0, 120.0, 900.0, 1e7):
        assert half_width([Part(T, 0.3, dof)], level=level) == pytest.approx(
            0.3 * stats.t.ppf(tail, dof), rel=1e-8
        )
    assert half_width([Part(RECT, 5.0)], level=level) == pytest.approx(5.0 * level, rel=1e-5)
    assert half_width([Part(TRI, 1.0)], level=level) == pytest.approx(
        1.0 - math.sqrt(1.0 - level), rel=1e-8
    )
    assert half_width([Part(TWO, 0.7)], level=level) == 0.7


def test_published_sums() -> None:
    """JCGM 101:2008 9.2, four inputs of unit standard uncertainty (from memory): normal 3.92;
    rectangular 2√3 (2 − (3/5)^¼) = 3.88; one of them ten times as wide, 17.0."""
    assert half_width([Part(NORMAL, 1.0)] * 4) == pytest.approx(3.92, abs=0.005)
    root = math.sqrt(3.0)
    assert half_width([Part(RECT, root)] * 4) == pytest.approx(
        2.0 * root * (2.0 - 0.6**0.25), rel=1e-7
    )
    wide = [*[Part(RECT, root)] * 3, Part(RECT, 10.0 * root)]
    assert half_width(wide) == pytest.approx(17.0, abs=0.05)


def test_closed_forms_of_sums() -> None:
    # Two Cauchy laws add by their scales.
    assert half_width([Part(T, 1.0, 1.0), Part(T, 2.0, 1.0)]) == pytest.approx(
        3.0 * stats.t.ppf(0.975, 1), rel=1e-8
    )
    # Two-point and normal: P = Φ((x − a)/σ) − Φ((−x − a)/σ).
    a, sigma = 1.0, 0.4
    x = half_width([Part(TWO, a), Part(NORMAL, sigma)])
    assert stats.norm.cdf((x - a) / sigma) - stats.norm.cdf((-x - a) / sigma) == pytest.approx(
        0.95, abs=1e-9
    )
    # A trapezium: two rectangles of unlike width.
    assert half_width([Part(RECT, 1.0), Part(RECT, 2.0)]) == pytest.approx(
        3.0 - math.sqrt(8.0 * 0.05), rel=1e-6
    )


def test_two_point_parts_alone_are_counted() -> None:
    widths = (1.0, 0.5, 0.3, 0.1, 0.05, 0.02)
    corners = np.sort(np.abs([
        sum(s * w for s, w in zip(signs, widths, strict=True))
        for signs in itertools.product((1, -1), repeat=len(widths))
    ]))  # fmt: skip
    found = half_width([Part(TWO, w) for w in widths])
    assert np.mean(corners <= found + 1e-12) >= 0.95
    assert np.mean(corners < found - 1e-12) < 0.95
    with pytest.raises(ValueError, match="at most 16"):
        half_width([Part(TWO, 1.0)] * 17)


@pytest.mark.parametrize(
    "parts",
    [
        [Part(NORMAL, 0.05), Part(T, 0.06, 2.0), Part(T, 0.03, 4.0), Part(RECT, 0.05),
         Part(TRI, 0.02), Part(TWO, 0.1), Part(TWO, 0.05), Part(TWO, 0.04), Part(TWO, 0.03)],
        [Part(T, 1.0, 1.0), Part(NORMAL, 2.0), Part(TWO, 3.0)],
        # Corners far apart against what smooths them, with heavy and with no tails.
        [Part(TWO, 1.0), Part(TWO, 0.3), Part(TWO, 0.2), Part(NORMAL, 0.002), Part(T, 1e-3, 2.0)],
        [Part(TWO, 1.0), Part(TWO, 0.4), Part(RECT, 0.01), Part(RECT, 0.003)],
        [Part(TWO, 1.0), Part(T, 0.004, 1.0)],
        [Part(RECT, 1.0), Part(T, 0.02, 3.0), Part(TWO, 0.4)],
    ],
)  # fmt: skip
def test_it_holds_its_share_of_drawn_sums(parts: list[Part]) -> None:
    """Four standard deviations of a million draws."""
    n = 1_000_000
    x = half_width(parts)
    held = np.mean(np.abs(drawn(parts, n, seed=len(parts))) <= x)
    assert held == pytest.approx(0.95, abs=4.0 * math.sqrt(0.95 * 0.05 / n))


widths = st.floats(1e-3, 10.0)
smooth = st.one_of(
    st.builds(Part, st.sampled_from([NORMAL, RECT, TRI]), widths),
    st.builds(
        Part, st.just(T), widths, st.sampled_from([1.0, 2.0, 3.0, 4.0, 9.0, 40.0, 200.0])
    ),
)
sums = st.tuples(
    st.lists(smooth, min_size=1, max_size=4),
    st.lists(st.builds(Part, st.just(TWO), widths), max_size=3),
).map(lambda both: both[0] + both[1])


@settings(max_examples=25, deadline=None)
@given(sums, st.floats(1.01, 5.0), st.data())
def test_no_part_grows_without_the_sum(
    parts: list[Part], factor: float, data: st.DataObject
) -> None:
    """Up to four two-point parts; with more, counting corners does not always grow."""
    i = data.draw(st.integers(0, len(parts) - 1))
    wider = [*parts]
    wider[i] = Part(parts[i].shape, parts[i].width * factor, parts[i].dof)
    before = half_width(parts)
    assert half_width(wider) >= before * (1.0 - 1e-5)
    assert half_width([*parts[:i], *parts[i + 1 :]]) <= before * (1.0 + 1e-5)


@settings(max_examples=25, deadline=None)
@given(sums, st.floats(1e-6, 1e6), st.integers(0, 99))
def test_units_and_order_do_not_matter(parts: list[Part], scale: float, seed: int) -> None:
    x = half_width(parts)
    scaled = [Part(p.shape, p.width * scale, p.dof) for p in parts]
    random.Random(seed).shuffle(scaled)
    assert half_width(scaled) == pytest.approx(scale * x, rel=1e-6)


def test_nothing_has_no_width_and_nonsense_is_refused() -> None:
    assert half_width([]) == 0.0
    assert half_width([Part(NORMAL, 0.0), Part(TWO, 0.0)]) == 0.0
    for width, dof in ((-1.0, 1.0), (math.nan, 1.0), (1.0, 0.0)):
        with pytest.raises(ValueError, match="allowed"):
            Part(T, width, dof)
    with pytest.raises(ValueError, match="level"):
        half_width([Part(NORMAL, 1.0)], level=1.0)
