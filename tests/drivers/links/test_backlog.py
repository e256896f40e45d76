"""When a reader is behind: not while it is busy, not after a hold-up, once an episode."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.interface.driver_interface import Backlog
from drivers.links.backlog import BacklogWatch

FULL = 4095
MS = 1_000_000


def looks(
    watch: BacklogWatch, waiting: list[int], *, every_ms: int, from_ns: int = 0
) -> list[Backlog]:
    told = [watch.look(n, n, from_ns + (k + 1) * every_ms * MS) for k, n in enumerate(waiting)]
    return [one for one in told if one is not None]


def test_a_full_buffer_for_two_seconds_is_told_once() -> None:
    watch = BacklogWatch(FULL, 0)
    (told,) = looks(watch, [0, *[FULL] * 1000], every_ms=10)
    assert (told.over, told.most_bytes) == (False, FULL)
    assert told.lasted_s == pytest.approx(2.0)
    assert watch.behind


def test_a_busy_reader_that_catches_up_now_and_then_is_not_behind() -> None:
    watch = BacklogWatch(FULL, 0)
    assert looks(watch, [*[FULL] * 150, *[100] * 30] * 50, every_ms=10) == []


def test_a_buffer_drained_for_an_instant_and_full_again_is_not_caught_up() -> None:
    """The far end was held up: a busy machine must not keep a loss of bytes from being told."""
    watch = BacklogWatch(FULL, 0)
    (told,) = looks(watch, [*[FULL] * 100, 0, 0] * 50, every_ms=10)
    assert told.lasted_s == pytest.approx(2.0)
    assert watch.behind


def test_a_reader_slower_than_that_never_saw_it_clear() -> None:
    watch = BacklogWatch(FULL, 0)
    (told,) = looks(watch, [FULL] * 30, every_ms=500)
    assert told.lasted_s == pytest.approx(4.5)


def test_hold_ups_one_after_another_are_not_behind() -> None:
    """Each fills the buffer, and each is drained at once."""
    watch = BacklogWatch(FULL, 0)
    for k in range(1, 100):
        assert watch.look(FULL, FULL, k * 500 * MS) is None
        assert watch.look(10, 10, k * 500 * MS + MS) is None


def test_a_long_hold_up_whose_backlog_is_drained_is_not_behind() -> None:
    watch = BacklogWatch(FULL, 0)
    assert watch.look(0, 0, 0) is None
    assert looks(watch, [FULL] * 30, every_ms=1, from_ns=30_000 * MS) == []
    assert looks(watch, [10], every_ms=1, from_ns=30_040 * MS) == []


def test_what_waited_in_a_hold_up_before_is_not_of_the_episode() -> None:
    watch = BacklogWatch(FULL, 0)
    assert looks(watch, [10 * FULL, 0], every_ms=10) == []
    (told,) = looks(watch, [FULL] * 300, every_ms=10, from_ns=60_000 * MS)
    assert told.most_bytes == FULL


def test_it_is_over_when_it_has_not_come_back_for_ten_seconds() -> None:
    watch = BacklogWatch(FULL, 0)
    assert len(looks(watch, [0, *[FULL] * 300], every_ms=10)) == 1
    told = looks(watch, [0] * 2000, every_ms=10, from_ns=3010 * MS)
    assert [one.over for one in told] == [True]
    assert told[0].lasted_s == pytest.approx(3.0, abs=0.02)
    assert not watch.behind
    again = looks(watch, [0, *[FULL] * 300], every_ms=10, from_ns=60_000 * MS)
    assert [one.over for one in again] == [False]


@given(st.lists(st.tuples(st.integers(0, 2 * FULL), st.integers(0, 4000)), max_size=200))
def test_beginnings_and_ends_take_turns(looked: list[tuple[int, int]]) -> None:
    watch = BacklogWatch(FULL, 0)
    now_ns = 0
    told = []
    for waiting, later_ms in looked:
        now_ns += later_ms * MS
        if backlog := watch.look(waiting, waiting, now_ns):
            told.append(backlog)
            assert backlog.lasted_s >= 2.0
            assert backlog.most_bytes > 0
        assert watch.behind == (len(told) % 2 == 1)
    assert [one.over for one in told] == [k % 2 == 1 for k in range(len(told))]


def test_a_second_of_a_slow_link_is_a_backlog_long_before_its_buffer_is_full() -> None:
    """A device of 2400 bytes a second on a connection that holds a megabyte."""
    watch = BacklogWatch(1 << 20, 0)
    watch.look(0, 0, 0)
    for k in range(1, 1000):
        assert watch.look(24, 24, k * 10 * MS) is None
    told = [watch.look(3000 + 24 * k, 24, 10_000 * MS + k * 10 * MS) for k in range(1000)]
    assert [one.over for one in told if one] == [False]
    assert watch.behind


def test_a_receiver_that_sends_a_second_of_bytes_at_once_is_no_backlog() -> None:
    watch = BacklogWatch(1 << 20, 0)
    for k in range(2000):
        waiting = 240 if k % 20 == 0 else 0
        assert watch.look(waiting, waiting, k * 50 * MS) is None


def test_after_a_silence_a_fast_link_is_no_backlog_at_once() -> None:
    """However long nothing came: its rate is that of the times when bytes come."""
    watch = BacklogWatch(1 << 16, 0)
    for k in range(1000):
        assert watch.look(0, 0, k * 50 * MS) is None
    for k in range(20_000):
        assert watch.look(2600, 2600, 50_000 * MS + k * MS) is None
