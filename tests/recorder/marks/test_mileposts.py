"""Mileposts count themselves, up or down, and follow the crew."""

from __future__ import annotations

import pytest

from recorder.marks.mark import Mark, current
from recorder.marks.mileposts import next_milepost


def post(t_s: float, value: str, *, kind: str = "milepost") -> Mark:
    return Mark(mark_id=f"{t_s:032.3f}", kind=kind, t_s=t_s, value=value)


def test_nothing_known_says_nothing() -> None:
    assert next_milepost([]) == ""
    assert next_milepost([post(1, "")]) == ""


def test_the_trip_sheet_says_the_first() -> None:
    assert next_milepost([], first=120.0, step=-1.0) == "120"
    assert next_milepost([post(1, "")], first=120.0, step=-1.0) == "119"


def test_up_and_down() -> None:
    assert next_milepost([post(1, "7")]) == "8"
    assert next_milepost([post(1, "7")], step=-1.0) == "6"
    assert next_milepost([post(1, "7.5")], step=0.25) == "7.75"


def test_a_post_without_a_number_was_passed_all_the_same() -> None:
    assert next_milepost([post(1, "7"), post(2, ""), post(3, "")]) == "10"


def test_order_is_by_run_time_not_by_entry() -> None:
    assert next_milepost([post(9, "9"), post(2, "2")]) == "10"


def test_a_correction_moves_the_count_and_a_withdrawal_does_not_count() -> None:
    first, second = post(1, "7"), post(2, "8")
    assert next_milepost([first, second, second.revised(value="18")]) == "19"
    assert next_milepost([first, second, second.revised(withdrawn=True)]) == "8"


def test_the_count_turns_with_the_train() -> None:
    assert next_milepost([post(1, "9"), post(2, "8")], step=1.0) == "7"


def test_a_jump_of_the_numbering_does_not_turn_it() -> None:
    assert next_milepost([post(1, "9"), post(2, "3")], step=1.0) == "4"


def test_other_marks_do_not_count() -> None:
    assert next_milepost([post(1, "7"), post(2, "99", kind="remark")]) == "8"


def test_a_step_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="step must be"):
        next_milepost([], step=0.0)


def test_revisions_and_order() -> None:
    first, second = post(5, "b"), post(1, "a")
    fixed = first.revised(value="c", note="misread")
    assert [m.value for m in current([first, second, fixed])] == ["a", "c"]
    assert fixed.revision == 1
    assert Mark.from_dict(fixed.to_dict()) == fixed


def test_a_mark_of_a_newer_version_keeps_what_it_knew() -> None:
    data = {**post(1, "7").to_dict(), "camera": "frame 7"}
    assert Mark.from_dict(data).extra == {"camera": "frame 7"}
