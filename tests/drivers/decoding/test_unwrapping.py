"""Wide counters keep the bits that came, at every edge of a wrap."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from drivers.decoding.unwrapping import (
    MASK_32,
    hold_last,
    later,
    nearest,
    run_forward,
    run_signed,
    signed_step,
)

WIDE = st.integers(0, 2**60)
HALF = 2**31


@given(previous=WIDE, ahead=st.integers(0, MASK_32))
def test_later_finds_the_value_that_was_cut(previous: int, ahead: int) -> None:
    assert later(previous, (previous + ahead) & MASK_32) == previous + ahead


@given(expected=WIDE, off=st.integers(-HALF, HALF - 1))
def test_nearest_finds_the_value_that_was_cut(expected: int, off: int) -> None:
    assert nearest(expected, (expected + off) & MASK_32) == expected + off
    assert signed_step(expected, (expected + off) & MASK_32) == off


@given(first=WIDE, steps=st.lists(st.integers(0, MASK_32), max_size=30))
def test_a_run_forward_comes_back_whole(first: int, steps: list[int]) -> None:
    wide = first + np.concatenate(([0], np.cumsum(np.array(steps, dtype=np.int64))))
    wires = (wide & MASK_32).astype(np.uint32)
    assert run_forward(first, wires).tolist() == wide.tolist()


@given(
    first=st.integers(-(2**60), 2**60),
    steps=st.lists(st.integers(-HALF, HALF - 1), max_size=30),
)
def test_a_run_either_way_comes_back_whole(first: int, steps: list[int]) -> None:
    wide = first + np.concatenate(([0], np.cumsum(np.array(steps, dtype=np.int64))))
    wires = (wide & MASK_32).astype(np.uint32)
    assert run_signed(first, wires).tolist() == wide.tolist()


def test_edges_by_hand() -> None:
    """Arithmetic worked on paper: one before the wrap, the wrap, one after; and backwards."""
    assert later(0xFFFFFFFF, 0) == 0x1_0000_0000
    assert signed_step(0, 0xFFFFFFFF) == -1
    assert signed_step(0, 0x80000000) == -HALF
    assert signed_step(0x1_0000_0000, 0x7FFFFFFF) == HALF - 1
    assert run_signed(0, np.array([0, 0xFFFFFFFF, 0], dtype=np.uint32)).tolist() == [0, -1, 0]


def test_hold_last() -> None:
    fresh = np.array([10, 11, 12, 13], dtype=np.uint64)
    changed = np.array([False, True, False, True])
    assert hold_last(fresh, changed, 7).tolist() == [7, 11, 11, 13]
