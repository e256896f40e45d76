"""The pyramid, and paper that moves over it, against a plain search of all samples."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.window.model.trace.moving import MovingColumns
from recorder.window.model.trace.pyramid import Columns, Pyramid


def filled(values: list[float] | np.ndarray, **settings_: int) -> Pyramid:
    pyramid = Pyramid(**settings_)
    t = np.arange(len(values), dtype=np.float64)
    pyramid.append(t, 2.0 * t, values)
    return pyramid


@given(
    st.lists(st.floats(-1e6, 1e6, width=32), min_size=1, max_size=3000),
    st.integers(1, 700),
    st.integers(2, 60),
)
@settings(max_examples=60, deadline=None)
def test_extremes_of_the_whole_are_never_lost(
    values: list[float], chunk: int, columns: int
) -> None:
    pyramid = Pyramid(capacity=64, factor=4, levels=8)
    t = np.arange(len(values), dtype=np.float64)
    for i in range(0, len(values), chunk):
        pyramid.append(t[i : i + chunk], t[i : i + chunk], values[i : i + chunk])
    found = pyramid.columns("time", -1.0, float(len(values)), (len(values) + 1) / columns)
    low, high = found.extent() or (0.0, 0.0)
    assert low == np.min(np.asarray(values, np.float32))
    assert high == np.max(np.asarray(values, np.float32))
    assert np.all(np.diff(found.x) > 0)


def test_columns_hold_what_a_plain_search_finds() -> None:
    rng = np.random.default_rng(3)
    values = rng.normal(size=50_000).astype(np.float32)
    pyramid = filled(values, capacity=1 << 17, factor=8, levels=4)
    width = 125.0
    found = pyramid.columns("time", 10_000.0, 40_000.0, width)
    for x, low, high in zip(found.x[1:-1], found.low[1:-1], found.high[1:-1], strict=True):
        first = int(np.floor(x / width) * width)
        # A bin of the level used may reach over a column's bound by its own length.
        near = values[first - 64 : first + 125 + 64]
        assert near.min() <= low <= values[first : first + 60].min() + 3.0
        assert near.max() >= high
        assert high >= low


def test_fine_columns_are_exact() -> None:
    values = np.arange(100.0)
    found = filled(values).columns("time", 0.0, 99.0, 10.0)
    np.testing.assert_array_equal(found.low[:3], [0.0, 10.0, 20.0])
    np.testing.assert_array_equal(found.high[:3], [9.0, 19.0, 29.0])


def test_sparse_samples_stay_where_they_are() -> None:
    pyramid = Pyramid()
    pyramid.append([1.03, 2.71], [0.0, 0.0], [5.0, 6.0])
    found = pyramid.columns("time", 0.0, 3.0, 0.1)
    np.testing.assert_allclose(found.x, [1.03, 2.71])


def test_a_gap_stays_a_gap_at_every_coarseness() -> None:
    pyramid = Pyramid(capacity=256, factor=4, levels=6)
    t = np.arange(20_000.0)
    pyramid.append(t[:10_000], t[:10_000], np.zeros(10_000))
    pyramid.break_line()
    pyramid.append(t[10_000:], t[10_000:], np.zeros(10_000))
    for width in (1.0, 10.0, 100.0, 1000.0):
        found = pyramid.columns("time", 0.0, 20_000.0, width)
        broken = found.x[~found.joined]
        assert np.any(np.abs(broken - 10_000.0) <= max(width, 4.0**5))


@given(
    st.lists(st.integers(1, 300), min_size=2, max_size=12),
    st.integers(1, 700),
    st.floats(1.0, 400.0),
)
@settings(max_examples=60, deadline=None)
def test_no_line_crosses_a_gap_at_any_coarseness(
    lengths: list[int], chunk: int, width: float
) -> None:
    pyramid, gap_s, t0 = Pyramid(capacity=64, factor=4, levels=8), 10_000.0, 0.0
    for k, n in enumerate(lengths):
        t = t0 + np.arange(float(n))
        for i in range(0, n, chunk):
            part = t[i : i + chunk]
            pyramid.append(part, part, np.full(len(part), float(k)))
        pyramid.break_line()
        t0 = t[-1] + gap_s
    found = pyramid.columns("time", -1.0, t0, width)
    far = np.diff(found.x) > gap_s / 2
    assert not (far & found.joined[1:]).any()
    assert far.any()


def test_before_a_gap_nothing_is_drawn_of_what_came_after() -> None:
    pyramid = Pyramid(capacity=256, factor=4, levels=6)
    t = np.arange(1001.0)
    pyramid.append(t, t, np.full(1001, 50.0))
    pyramid.break_line()
    pyramid.append(t + 2000.0, t, np.full(1001, 90.0))
    found = pyramid.columns("time", 0.0, 3001.0, 30.0)
    before = found.x < 1500.0
    assert set(found.high[before]) == {50.0}
    assert set(found.low[~before]) == {90.0}


def test_an_unknown_value_breaks_the_line_and_is_no_extreme() -> None:
    found = filled([1.0, np.nan, 3.0]).columns("time", 0.0, 2.0, 0.5)
    assert np.isnan(found.low[1])
    assert not found.joined[1]
    assert found.extent() == (1.0, 3.0)


def test_nothing_but_unknown_has_no_extent() -> None:
    assert filled([np.nan] * 50).columns("time", 0.0, 50.0, 1.0).extent() is None
    empty = np.empty(0)
    assert Columns(empty, empty, empty, np.empty(0, bool)).extent() is None


def test_memory_is_bounded_and_old_stretches_only_coarser() -> None:
    pyramid = Pyramid(capacity=1024, factor=8, levels=5)
    for start in range(0, 400_000, 5000):
        t = np.arange(start, start + 5000, dtype=np.float64)
        pyramid.append(t, t, np.where(t == 1000.0, 99.0, 0.0))
    assert pyramid.samples == 400_000
    found = pyramid.columns("time", 0.0, 400_000.0, 400.0)
    assert found.extent() == (0.0, 99.0)
    assert len(found.x) <= 1001


def test_distance_axis_piles_a_standing_train_in_one_column() -> None:
    pyramid = Pyramid()
    t = np.arange(1000.0)
    pyramid.append(t, np.full(1000, 7.0), np.sin(t))
    found = pyramid.columns("distance", 0.0, 10.0, 0.1)
    assert len(found.x) == 1
    assert found.high[0] == pytest.approx(np.sin(t).max(), abs=1e-6)


def test_a_pyramid_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="pyramid"):
        Pyramid(capacity=4)


@given(
    st.lists(st.tuples(st.integers(1, 90), st.booleans()), min_size=3, max_size=60),
    st.sampled_from((0.7, 3.0, 25.0)),
    st.integers(12, 60),
    st.integers(0, 2**31),
)
@settings(max_examples=100, deadline=None)
def test_columns_drawn_as_the_paper_moves_hold_what_a_plain_search_finds(
    chunks: list[tuple[int, bool]], width: float, shown: int, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    pyramid = Pyramid(capacity=256, factor=4, levels=8)
    moving = MovingColumns(pyramid)
    t_all, v_all = np.empty(0), np.empty(0, np.float32)
    breaks: set[float] = set()
    for n, broken in chunks:
        start = t_all[-1] + 1.0 if len(t_all) else 0.0
        t = start + np.cumsum(rng.uniform(0.01, 1.0, n))
        values = rng.normal(size=n).astype(np.float32)
        values[rng.random(n) < 0.05] = np.nan
        if broken:
            pyramid.break_line()
            breaks.add(float(t[0]))
        pyramid.append(t, t, values)
        t_all, v_all = np.append(t_all, t), np.append(v_all, values)
        x1 = float(t[-1]) + 0.1
        first = np.ceil(x1 / width) - shown
        found = moving.columns("time", first * width, x1, width)
        number = np.floor(found.x / width)
        assert np.all(np.diff(number) > 0)
        inside = number >= first
        holding = np.floor(t_all / width)
        assert set(number[inside]) == {c for c in holding if c >= first}
        for i in np.flatnonzero(inside):
            own = holding == number[i]
            np.testing.assert_array_equal(found.low[i], np.fmin.reduce(v_all[own]))
            np.testing.assert_array_equal(found.high[i], np.fmax.reduce(v_all[own]))
            gap = np.isnan(v_all[own]).any() or not breaks.isdisjoint(t_all[own])
            assert found.joined[i] == (not gap and t_all[0] not in t_all[own])


@given(
    st.lists(st.integers(1, 300), min_size=2, max_size=12),
    st.integers(1, 90),
    st.floats(30.0, 900.0),
)
@settings(max_examples=60, deadline=None)
def test_coarse_paper_that_moves_loses_no_extreme_and_crosses_no_gap(
    lengths: list[int], chunk: int, width: float
) -> None:
    pyramid, gap_s, t0 = Pyramid(capacity=64, factor=4, levels=8), 10_000.0, 0.0
    moving = MovingColumns(pyramid)
    values = np.random.default_rng(len(lengths)).normal(size=sum(lengths)).astype(np.float32)
    drawn = 0
    for n in lengths:
        t = t0 + np.arange(float(n))
        for i in range(0, n, chunk):
            part = t[i : i + chunk]
            pyramid.append(part, part, values[drawn : drawn + len(part)])
            drawn += len(part)
            found = moving.columns("time", -1.0, float(part[-1]), width)
            assert found.extent() == (values[:drawn].min(), values[:drawn].max())
            assert np.all(np.diff(np.floor(found.x / width)) > 0)
        pyramid.break_line()
        t0 = t[-1] + gap_s
    far = np.diff(found.x) > gap_s / 2
    assert np.count_nonzero(far) == len(lengths) - 1
    assert not (far & found.joined[1:]).any()


def test_a_line_comes_from_before_the_paper_shown() -> None:
    pyramid = Pyramid()
    moving = MovingColumns(pyramid)
    for start in range(0, 100, 10):
        t = start + np.arange(10.0)
        pyramid.append(t, t, t)
        found = moving.columns("time", t[-1] - 5.0, t[-1] + 1.0, 1.0)
    assert found.x[0] < 94.0
    assert found.x[1] >= 94.0


def test_another_width_another_axis_and_earlier_paper_are_reduced_anew() -> None:
    pyramid = Pyramid()
    moving = MovingColumns(pyramid)
    t = np.arange(1000.0)
    pyramid.append(t, 3.0 * t, np.sin(t))
    for ask in (
        ("time", 500.0, 1000.0, 4.0),
        ("time", 500.0, 1000.0, 7.0),
        ("distance", 1500.0, 3000.0, 7.0),
        ("distance", 300.0, 3000.0, 7.0),
        ("distance", 300.0, 900.0, 7.0),
    ):
        found, plain = moving.columns(*ask), pyramid.columns(*ask)
        np.testing.assert_array_equal(found.x, plain.x)
        np.testing.assert_array_equal(found.low, plain.low)
        np.testing.assert_array_equal(found.joined, plain.joined)


def test_paper_moved_on_in_one_go_is_as_if_drawn_at_once() -> None:
    pyramid = Pyramid()
    moving = MovingColumns(pyramid)
    assert len(moving.columns("time", 0.0, 1.0, 0.5).x) == 0
    rng = np.random.default_rng(2)
    for start in (0.0, 40.0, 500.0):
        t = start + np.sort(rng.uniform(0.0, 30.0, 400))
        pyramid.append(t, t, rng.normal(size=400))
        ask = ("time", t[-1] - 20.0, t[-1] + 0.3, 0.25)
        found, plain = moving.columns(*ask), pyramid.columns(*ask)
        for name in ("x", "low", "high", "joined"):
            shown = plain.x >= ask[1]
            np.testing.assert_array_equal(
                getattr(found, name)[-shown.sum() :], getattr(plain, name)[shown]
            )
