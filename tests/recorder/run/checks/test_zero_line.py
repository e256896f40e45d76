"""Zeros as events and back, and the line through those accepted."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.field.checks import CheckKind, FieldCheck
from calibration.field.zero_guards import GuardAnswer, guard_wheel
from recorder.run.checks.zero_line import (
    Zero,
    ZeroLine,
    ZeroTime,
    current_zeros,
    zero_lines,
    zeros_of,
)
from recorder.run.parts.event import Event, EventKind

CHECK = FieldCheck(
    kind=CheckKind.ZERO, passed=True, counts=20_012.0, expected_counts=20_000.0,
    difference_counts=12.0, limit_counts=5000.0, difference_kN=0.0012,
    text="zero check in limits: +12 counts",
)  # fmt: skip

MILLISECONDS = st.integers(0, 10**8).map(lambda ms: ms / 1000.0)


def through_json(event: Event) -> Event:
    data = json.loads(json.dumps(event.data, allow_nan=False))
    return Event(kind=event.kind, t_s=event.t_s, data=data)


def zero(t_s: float, counts: float, u: float = 0.0, *, accepted: bool = True) -> Zero:
    return Zero(channel="pull", t_s=t_s, counts=counts, u_counts=u, accepted=accepted)


def line(*zeros: Zero) -> ZeroLine:
    made = ZeroLine.through(zeros)
    assert made is not None
    return made


class TestEvents:
    def test_a_zero_comes_back_as_it_was_kept(self) -> None:
        kept = Zero(
            channel="pull", t_s=-1.5, counts=20_012.25, u_counts=0.4, when=ZeroTime.BEFORE,
            sd_counts=9.5, n=6000, drift_counts=-0.75, seconds=3.0, check=CHECK,
        )  # fmt: skip
        event = through_json(kept.to_event())
        assert event.kind == EventKind.ZERO
        assert Zero.from_event(event) == kept

    def test_a_refused_zero_comes_back_with_its_reason(self) -> None:
        kept = Zero(
            channel="pull", t_s=8.0, counts=math.nan, accepted=False, reason="nothing came"
        )
        found = Zero.from_event(through_json(kept.to_event()))
        assert (found.accepted, found.reason) == (False, "nothing came")
        assert math.isnan(found.counts)
        assert found.text == "pull: ZERO REFUSED; nothing came"

    def test_guards_force_and_withdrawal_come_back(self) -> None:
        guards = (guard_wheel(400, m_per_pulse=0.005, device="wheel"),)
        kept = Zero(
            channel="pull", t_s=8.0, counts=7.0, guards=guards, forced="light engine",
            withdrawn="coupler was tight", revision=2, by="observer 1",
            entered_utc_ns=1_790_000_000_000_000_000, software="9.9",
        )  # fmt: skip
        found = Zero.from_event(through_json(kept.to_event()))
        assert (found.guards, found.stood) == (guards, GuardAnswer.REFUSED)
        same = ("forced", "withdrawn", "revision", "by", "entered_utc_ns", "software")
        assert all(getattr(found, name) == getattr(kept, name) for name in same)
        assert not found.holds
        assert found.text == (
            'pull: ZERO WITHDRAWN (zero 7.0 counts): coupler was tight; FORCED: "light engine"'
        )

    def test_that_nobody_saw_it_stand_is_said(self) -> None:
        silent = (guard_wheel(None, m_per_pulse=None, device="wheel"),)
        asked = Zero(channel="pull", t_s=0.0, counts=5.0, guards=silent)
        assert "NOT KNOWN whether the train stood" in asked.text

    @pytest.mark.parametrize("guards", [None, 3, "no", [3, None, {}], [{"kind": "dog"}]])
    def test_guards_that_do_not_read_are_none(self, guards: object) -> None:
        data = {"channel": "pull", "counts": 1.0, "guards": guards, "revision": "two"}
        found = Zero.from_event(Event(kind="zero", t_s=0.0, data=data))
        assert (found.guards, found.revision, found.accepted) == ((), 0, True)

    def test_what_the_crew_reads(self) -> None:
        assert zero(0.0, 20.25).text == "pull: zero 20.2 counts"
        stated = Zero(channel="pull", t_s=0.0, counts=5.0, when=ZeroTime.SHEET)
        assert stated.text == "pull: zero 5.0 counts as the car sheet states"
        checked = Zero(channel="pull", t_s=0.0, counts=20_012.0, check=CHECK)
        assert checked.text == "pull: zero 20012.0 counts; zero check in limits: +12 counts"

    def test_a_zero_of_the_first_version(self) -> None:
        """Kept with the scatter of single counts, and words for how it came out."""
        data = {"channel": "pull", "counts": 20_100.0, "sd_counts": 30.0, "n": 900}
        found = Zero.from_event(Event(kind="zero", t_s=0.0, data=data))
        assert (found.accepted, found.reason, found.u_counts) == (True, "", 1.0)
        told = {**data, "u_counts": 2.5, "passed": False, "when": "after",
                "text": "pull: zero check OUT OF LIMITS"}  # fmt: skip
        doubted = Zero.from_event(Event(kind="zero", t_s=0.0, data=told))
        assert (doubted.accepted, doubted.when, doubted.u_counts) == (True, ZeroTime.AFTER, 2.5)
        assert doubted.text == "pull: zero 20100.0 counts; zero check OUT OF LIMITS"
        text = "pull: ZERO REFUSED, the converter stands at its rail"
        refused = Zero.from_event(
            Event(kind="zero", t_s=0.0, data={**data, "accepted": False, "text": text})
        )
        assert not refused.accepted
        assert refused.text == "pull: ZERO REFUSED; the converter stands at its rail"

    @pytest.mark.parametrize("name", ["entered_utc_ns", "revision", "n"])
    def test_whole_numbers_beyond_all_clocks_and_counts_are_none(self, name: str) -> None:
        data = {"channel": "pull", "counts": 1.0, "sd_counts": 1.0, name: 2**5000}
        found = Zero.from_event(Event(kind="zero", t_s=0.0, data=data))
        assert getattr(found, name) == 0

    @pytest.mark.parametrize("n", [0, 1, -3, True, 2.5, None, "9"])
    def test_without_scatter_the_uncertainty_is_not_known(self, n: object) -> None:
        data = {"channel": "pull", "counts": 1.0, "sd_counts": 0.0, "n": n}
        assert math.isnan(Zero.from_event(Event(kind="zero", t_s=0.0, data=data)).u_counts)

    @pytest.mark.parametrize(
        "data",
        [
            {},
            {"channel": "pull"},
            {"channel": 3, "counts": 1.0},
            {"channel": "pull", "counts": "12"},
            {"channel": "pull", "counts": True},
            {"channel": "pull", "counts": float("nan")},
            {"channel": "pull", "counts": 10**400},
            {"channel": "pull", "counts": 5.0, "accepted": False},
            {"channel": "pull", "counts": 5.0, "accepted": "no"},
        ],
    )
    def test_what_cannot_be_a_zero_is_refused_and_says_so(self, data: dict[str, Any]) -> None:
        found = Zero.from_event(Event(kind="zero", t_s=1.0, data=data))
        assert not found.accepted
        assert found.reason
        assert zero_lines([found]) == {}

    def test_one_whose_words_are_cut_short_is_not_taken_for_none(self) -> None:
        words = '{"accepted": true, "channel": "pull", "check": {"counts": 2589'
        found = Zero.from_event(Event(kind="zero", t_s=1.0, data={"words_cut": words}))
        assert (found.channel, found.accepted) == ("pull", False)
        assert "the journal has them in full" in found.reason

    @given(
        st.dictionaries(
            st.sampled_from(
                ["channel", "counts", "u_counts", "sd_counts", "n", "accepted", "when", "check"]
            ),
            st.sampled_from(
                [None, True, 0, -5, 2**80, 0.0, 1.5, -1.5, math.nan, math.inf, "", "pull", {}]
            ),
        )
    )
    def test_any_data_are_a_zero_or_refused(self, data: dict[str, Any]) -> None:
        found = Zero.from_event(Event(kind="zero", t_s=0.0, data=data))
        assert not found.accepted or math.isfinite(found.counts)
        assert math.isnan(found.u_counts) or found.u_counts >= 0.0

    def test_other_events_are_passed_over(self) -> None:
        events = [Event(kind="stop", t_s=0.0, data={}), zero(1.0, 2.0).to_event()]
        assert [z.counts for z in zeros_of(events)] == [2.0]


class TestLine:
    def test_it_is_straight_between_zeros_and_level_outside(self) -> None:
        made = line(zero(100.0, 20.0), zero(0.0, 10.0), zero(200.0, 20.0))
        assert made.at([-5.0, 0.0, 50.0, 100.0, 150.0, 999.0]).tolist() == [
            10, 10, 15, 20, 20, 20,
        ]  # fmt: skip

    def test_refused_zeros_are_not_on_it(self) -> None:
        made = line(zero(0.0, 10.0, 1.0), zero(50.0, 1e6, 1e6, accepted=False))
        assert made.at(50.0) == 10.0
        assert made.u_at(50.0) == 1.0
        assert ZeroLine.through([zero(0.0, 1.0, accepted=False)]) is None

    def test_of_two_at_one_time_the_last_holds(self) -> None:
        assert line(zero(0.0, 10.0), zero(0.0, 12.0)).at(0.0) == 12.0

    def test_a_withdrawn_zero_is_not_on_it_and_comes_back_when_restored(self) -> None:
        first, second = zero(0.0, 10.0), zero(50.0, 1e6)
        withdrawn = replace(second, withdrawn="coupler was tight", revision=1)
        restored = replace(second, revision=2)
        assert line(first, second, withdrawn).counts.tolist() == [10.0]
        assert line(first, second, withdrawn, restored).counts.tolist() == [10.0, 1e6]
        assert ZeroLine.through([second, withdrawn]) is None

    def test_each_zero_is_as_its_newest_revision_has_it(self) -> None:
        first, second = zero(0.0, 10.0), zero(50.0, 20.0)
        gone = replace(first, withdrawn="tight", revision=1)
        assert current_zeros([first, second, gone]) == [gone, second]
        assert current_zeros([gone, first]) == [gone, first]

    def test_channels_have_lines_of_their_own(self) -> None:
        lines = zero_lines([zero(0.0, 1.0), Zero(channel="push", t_s=0.0, counts=2.0)])
        assert {name: float(held.at(0.0)) for name, held in lines.items()} == {
            "pull": 1.0,
            "push": 2.0,
        }

    def test_where_it_is_level_it_is_one_number(self) -> None:
        made = line(zero(0.0, 10.0), zero(100.0, 20.0))
        assert made.along(np.array([100.0, 200.0])) == 20.0
        assert made.along(np.array([-3.0, 0.0])) == 10.0
        assert made.along(np.empty(0)) == 10.0
        both = made.along(np.array([50.0, 150.0]))
        assert np.asarray(both).tolist() == [15.0, 20.0]

    def test_the_uncertainty_is_least_at_the_zeros(self) -> None:
        """60 counts of change: ± 30 half way, rectangular; beyond the end 0.6 a second on."""
        made = line(zero(0.0, 0.0, 2.0), zero(100.0, 60.0, 2.0))
        u = made.u_at([0.0, 50.0, 100.0, 150.0, 1000.0, -50.0])
        assert u[[0, 2]] == pytest.approx([2.0, 2.0])
        assert u[1] == pytest.approx(math.hypot(2.0, 30.0 / math.sqrt(3.0)))
        assert u[[3, 5]] == pytest.approx([math.hypot(2.0, 30.0 / math.sqrt(3.0))] * 2)
        assert u[4] == pytest.approx(math.hypot(2.0, 60.0 / math.sqrt(3.0)))

    def test_one_zero_has_only_its_own_uncertainty(self) -> None:
        made = line(zero(0.0, 7.0, 3.0))
        assert made.u_at([0.0, 1e6]).tolist() == [3.0, 3.0]
        assert made.at(5.0) == 7.0

    @given(
        st.lists(
            # Zeros are taken whole milliseconds apart, or more.
            st.tuples(MILLISECONDS, st.floats(-1e6, 1e6), st.floats(0.0, 1e3)),
            min_size=1, max_size=6,
        ),
        st.floats(-1e3, 1e6),
    )  # fmt: skip
    def test_it_never_leaves_the_zeros_nor_is_surer_than_they(
        self, rows: list[tuple[float, float, float]], t_s: float
    ) -> None:
        made = line(*(zero(*row) for row in rows))
        # The last digit of the interpolation may round past a zero.
        digit = 1e-9 * float(np.abs(made.counts).max()) + 1e-300
        assert made.counts.min() - digit <= made.at(t_s) <= made.counts.max() + digit
        assert float(made.u_at(t_s)) >= made.u_counts.min() * (1 - 1e-9) - 1e-300
