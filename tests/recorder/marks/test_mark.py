"""A mark: its revisions, its typed value, and files of other versions."""

from __future__ import annotations

import json

import pytest

from recorder.marks.handling import BrakeAction, BrakeMark
from recorder.marks.kinds import Kind
from recorder.marks.mark import Mark, current, unread
from recorder.marks.values import UnreadMark
from recorder.marks.weather import WeatherMark


def mark(t_s: float, kind: str, value: str = "", **more: object) -> Mark:
    data = {"mark_id": f"{t_s:032.3f}", "t_s": t_s, "kind": kind, "value": value, **more}
    return Mark.from_dict(data)


def test_revisions_and_order() -> None:
    first, second = mark(5, "milepost", "2"), mark(1, "milepost", "1")
    fixed = first.revised(value="3", note="misread")
    assert [m.value for m in current([first, second, fixed])] == ["1", "3"]
    assert fixed.revision == 1
    assert current([first, second, fixed.revised(withdrawn=True)])[-1] == second


def test_it_comes_back_from_json() -> None:
    made = mark(1, "brake", "70 kPa", note="at the yard", extra={"since_last_s": 0.1})
    assert Mark.from_dict(json.loads(json.dumps(made.to_dict()))) == made
    assert made.kind is Kind.BRAKE


def test_a_mark_of_a_newer_version_keeps_what_it_knew() -> None:
    made = mark(1, "catenary", "dip", camera="frame 7")
    assert made.extra == {"camera": "frame 7"}
    assert made.kind_label == "catenary"
    assert isinstance(made.meaning, UnreadMark)
    assert made.to_dict()["kind"] == "catenary"


@pytest.mark.parametrize(
    "wrong",
    [
        {"kind": 7}, {"kind": None}, {"value": ["on"]}, {"t_s": "1"}, {"t_s": float("nan")},
        {"t_s": True}, {"revision": 1.5}, {"withdrawn": 1}, {"extra": None}, {"mark_id": 3},
        {"entered_utc_ns": 2**80}, {"entered_utc_ns": -(2**63) - 1}, {"revision": -1},
        {"revision": 2**31},
    ],
)  # fmt: skip
def test_a_damaged_mark_is_refused_as_it_is_read(wrong: dict[str, object]) -> None:
    data = {"mark_id": "x", "kind": "brake", "t_s": 1.0, **wrong}
    with pytest.raises((TypeError, ValueError), match=f"{next(iter(wrong))} of a mark is"):
        Mark.from_dict(data)


def test_a_mark_without_its_instant_is_refused() -> None:
    with pytest.raises(TypeError, match="t_s"):
        Mark.from_dict({"mark_id": "x", "kind": "brake"})


def test_what_is_kept_stays_as_it_is_and_says_what_it_says() -> None:
    """Earlier versions kept a keyed ``0`` of the brake as ``0 kPa``."""
    old = mark(1, "brake", "0 kPa")
    assert old.value == "0 kPa"
    assert old.meaning == BrakeMark(action=BrakeAction.RELEASE)


@pytest.mark.parametrize("value", ["dry", ""])
def test_a_wind_that_an_earlier_window_put_into_the_note_is_read(value: str) -> None:
    """It parted all that was typed at the first semicolon."""
    found = mark(1, "weather", value, note="wind 3 m/s from 240; 11 C").meaning
    assert isinstance(found, WeatherMark)
    assert found.wind is not None
    assert found.wind.from_deg == 240.0


def test_what_does_not_read_is_named() -> None:
    (line,) = unread([mark(1, "milepost", "7"), mark(3, "milepost", "x")])
    assert line.startswith("mark at 3.0 s does not read and is kept as text: milepost: got 'x'")
