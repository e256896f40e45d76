"""What the event of the stop holds of half frames, whatever else it holds."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.run.parts.event import Event
from recorder.run.parts.half_frames import HalfFrames


def stop(**data: Any) -> Event:
    return Event(kind="stop", t_s=9.0, data=data)


def test_by_device_as_the_stop_holds_them() -> None:
    kept = stop(partial_bytes={"cell": 5, "wheel": 0}, cut_bytes={"cell": 0, "wheel": 7})
    held = HalfFrames.of([Event(kind="health", t_s=1.0, data={}), kept])
    assert held == {
        "cell": HalfFrames(partial_bytes=5, cut_bytes=0),
        "wheel": HalfFrames(partial_bytes=0, cut_bytes=7),
    }
    assert held["cell"].in_words() == "5 bytes of frames cut by the opening or a lost link"
    assert held["wheel"].in_words() == "7 bytes of a frame cut by the stop"
    assert HalfFrames(partial_bytes=0, cut_bytes=0).in_words() == ""


def test_a_run_that_was_cut_off_has_none() -> None:
    assert HalfFrames.of([]) == {}
    assert HalfFrames.of([stop(reason="enough")]) == {}


@pytest.mark.parametrize("held", [None, 3, "x", ["cell"], {"cell": None}, {"cell": -1}])
def test_what_is_no_count_is_left_out(held: object) -> None:
    assert HalfFrames.of([stop(partial_bytes=held, cut_bytes={"cell": 1})]) == {}


@given(
    st.dictionaries(st.text(), st.one_of(st.floats(), st.booleans(), st.integers(), st.text()))
)
def test_nothing_in_a_file_raises(held: dict[str, object]) -> None:
    assert set(HalfFrames.of([stop(partial_bytes=held, cut_bytes=held)])) <= set(held)
