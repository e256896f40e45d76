"""Gaps: one set of causes, whatever says them, and words of other versions kept as such."""

from __future__ import annotations

from dataclasses import asdict

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.interface.driver_interface import FaultCause
from recorder.run.parts.event import Event, EventKind
from recorder.run.parts.gap import Cause, Gap, gaps_of


@pytest.mark.parametrize("fault", FaultCause)
def test_what_a_driver_can_tell_is_a_cause_with_the_same_meaning(fault: FaultCause) -> None:
    assert Cause(fault).value == fault.value
    assert Cause(fault).restarts_count is fault.restarts_count


def test_only_restarts_begin_the_count_anew() -> None:
    anew = {cause for cause in Cause if cause.restarts_count}
    assert anew == {Cause.DEVICE_RESTARTED, Cause.COUNTER_RESTARTED}


@given(
    st.sampled_from([c for c in Cause if c is not Cause.OTHER]),
    st.text(max_size=20),
    st.floats(0, 1e6),
    st.floats(0, 1e6),
    st.integers(0, 2**40),
    st.integers(0, 2**40),
)
def test_a_gap_comes_back_from_its_event(
    cause: Cause, detail: str, start_s: float, end_s: float, lost: int, before: int
) -> None:
    gap = Gap(
        device="cell",
        t_start_s=start_s,
        t_end_s=end_s,
        cause=cause,
        detail=detail,
        lost_records=lost,
        before_record=before,
    )
    event = gap.to_event()
    assert (event.kind, event.t_s) == (EventKind.GAP, end_s)
    assert gaps_of([event, Event(kind=EventKind.STOP, t_s=0.0, data={})]) == [gap]


def test_a_cause_of_another_version_is_kept_as_a_word_and_restarts_nothing() -> None:
    stored = {
        "device": "cell", "t_start_s": 1.0, "t_end_s": 2.0, "cause": "moon", "detail": "full"
    }  # fmt: skip
    gap = Gap.from_dict(stored)
    assert (gap.cause, gap.detail) == (Cause.OTHER, "moon: full")
    assert not gap.cause.restarts_count
    assert Gap.from_dict({**stored, "detail": ""}).detail == "moon"
    assert Gap.from_dict(asdict(gap)) == gap


@pytest.mark.parametrize("missing", ["device", "t_start_s", "t_end_s", "cause"])
def test_data_that_are_no_gap_are_refused(missing: str) -> None:
    data = {"device": "cell", "t_start_s": 1.0, "t_end_s": 2.0, "cause": "checksum"}
    del data[missing]
    with pytest.raises(KeyError):
        Gap.from_dict(data)


@pytest.mark.parametrize(
    "wrong",
    [
        {"t_start_s": float("nan")}, {"t_end_s": float("inf")}, {"t_start_s": 10**400},
        {"lost_records": -5}, {"lost_records": 2**70}, {"before_record": -1},
        {"before_record": 2**63}, {"lost_records": float("inf")},
    ],
)  # fmt: skip
def test_numbers_that_no_gap_has_are_refused_as_they_are_read(wrong: dict[str, object]) -> None:
    data = {"device": "cell", "t_start_s": 1.0, "t_end_s": 2.0, "cause": "checksum", **wrong}
    with pytest.raises(ValueError, match=f"{next(iter(wrong))} of a gap is"):
        Gap.from_dict(data)
