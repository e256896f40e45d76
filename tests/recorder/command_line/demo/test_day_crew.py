"""The crew of the trial day: what they key is what was, a human moment late."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from recorder.command_line.demo.day_crew import (
    LATE_S,
    Act,
    Corrected,
    Keyed,
    ZeroTaken,
    crew_acts,
)
from recorder.marks.handling import BrakeMark, ThrottleMark
from recorder.marks.kinds import Kind
from recorder.marks.values import UnreadMark, read_kept
from recorder.run.checks.zero_line import ZeroTime
from simulated_feeds.outing.trial_day import TrialDay, trial_day

UTC0 = 1_795_000_000 * 10**9


@pytest.fixture(scope="module")
def day() -> TrialDay:
    return trial_day(1, utc0_ns=UTC0)


@pytest.fixture(scope="module")
def acts(day: TrialDay) -> list[Act]:
    return crew_acts(day)


def keyed(acts: list[Act], kind: Kind) -> list[Keyed]:
    return [a for a in acts if isinstance(a, Keyed) and a.kind is kind]


def test_the_same_day_is_keyed_the_same(acts: list[Act]) -> None:
    assert crew_acts(trial_day(1, utc0_ns=UTC0)) == acts
    assert [a.t_s for a in acts] == sorted(a.t_s for a in acts)


def test_every_value_reads(acts: list[Act]) -> None:
    for act in acts:
        if isinstance(act, Keyed):
            assert not isinstance(read_kept(act.kind, act.value), UnreadMark), act


def test_mileposts_are_keyed_late_and_one_is_wrong_and_put_right(
    day: TrialDay, acts: list[Act]
) -> None:
    ride = day.motion
    posts = {str(p.number): p.s_m for p in day.scenario.journey.line.posts}
    right = {a.number: a.value for a in acts if isinstance(a, Corrected)}
    assert len(right) == 1
    for act in keyed(acts, Kind.MILEPOST):
        label = right.get(act.number, act.value)
        passed = float(ride.t_s[np.searchsorted(ride.s_m, posts[label])])
        assert LATE_S[0] - 0.1 <= act.t_s - passed <= LATE_S[1] + 0.1
    wrong = [a for a in keyed(acts, Kind.MILEPOST) if a.number in right]
    assert int(wrong[0].value) == int(right[wrong[0].number]) + 1


def test_full_is_keyed_when_it_is_full_and_another_word_when_it_is_left(
    day: TrialDay, acts: list[Act]
) -> None:
    """Between a word "full" and the next other word the throttle was full, but for the moment
    of opening it and that of keying that it was left."""
    ride = day.motion
    words = keyed(acts, Kind.THROTTLE)
    for word, after in itertools.pairwise(words):
        setting = read_kept(Kind.THROTTLE, word.value)
        assert isinstance(setting, ThrottleMark)
        if setting.share == 1.0:
            held = (ride.t_s >= word.t_s) & (ride.t_s <= after.t_s - 3.0)
            assert (ride.throttle[held] >= 0.97).all(), (word, after)
    opened = ride.throttle >= 0.995
    believed = np.zeros(opened.size, bool)
    for word, after in itertools.pairwise(words):
        if word.value == "full":
            believed |= (ride.t_s >= word.t_s) & (ride.t_s <= after.t_s)
    assert np.count_nonzero(believed & opened) > 0.98 * np.count_nonzero(opened)


def test_every_throttle_mark_of_the_day_tells_a_share_of_full_opening(acts: list[Act]) -> None:
    """A good crew keys no word that the report would have to call not understood."""
    for act in keyed(acts, Kind.THROTTLE):
        setting = read_kept(Kind.THROTTLE, act.value)
        assert isinstance(setting, ThrottleMark)
        assert setting.share is not None, act


def test_an_open_throttle_is_confirmed_every_few_minutes(acts: list[Act]) -> None:
    words = keyed(acts, Kind.THROTTLE)
    for word, after in itertools.pairwise(words):
        if word.value == "full":
            assert after.t_s - word.t_s < 270.0


def test_brakes_are_on_where_they_are_keyed(day: TrialDay, acts: list[Act]) -> None:
    ride = day.motion
    on = np.zeros(ride.t_s.size, bool)
    for act in keyed(acts, Kind.BRAKE):
        value = read_kept(Kind.BRAKE, act.value)
        assert isinstance(value, BrakeMark)
        on[ride.t_s >= act.t_s] = not value.released
    moving = ride.v_m_s > 1.0
    # What is not keyed as braked is not braked, but for the moment of keying it.
    assert np.count_nonzero(moving & ~on & (ride.brake > 0.02)) * 0.1 < 1.0 * len(
        keyed(acts, Kind.BRAKE)
    )


def test_the_slip_is_keyed_and_so_is_the_rain(day: TrialDay, acts: list[Act]) -> None:
    ride = day.motion
    began = float(ride.t_s[np.flatnonzero(ride.slip_m_s > 0.3)[0]])
    (slip,) = keyed(acts, Kind.SLIP)
    assert 0.0 < slip.t_s - began < 1.0
    wet = [a for a in keyed(acts, Kind.WEATHER) if "rain" in a.value]
    assert 0.0 < wet[0].t_s - day.scenario.journey.wet_from_s < 1.0


def test_zeros_are_taken_at_rest_with_no_pull(day: TrialDay, acts: list[Act]) -> None:
    ride = day.motion
    zeros = [a for a in acts if isinstance(a, ZeroTaken)]
    assert [z.when for z in zeros] == [ZeroTime.BEFORE, ZeroTime.DURING, ZeroTime.AFTER]
    for zero in zeros:
        at = (ride.t_s >= zero.t_s) & (ride.t_s <= zero.t_s + 20.0)
        assert not ride.v_m_s[at].any()
        assert not ride.pull_N[at].any()
