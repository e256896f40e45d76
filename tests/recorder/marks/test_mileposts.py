"""Mileposts count themselves, up or down, and follow the crew."""

from __future__ import annotations

import pytest

from recorder.marks.mark import Mark
from recorder.marks.mileposts import next_milepost


def post(t_s: float, value: str, *, kind: str = "milepost") -> Mark:
    return Mark(mark_id=f"{t_s:032.3f}", kind=kind, t_s=t_s, value=value)


def test_nothing_known_says_nothing() -> None:
    assert next_milepost([]).text == ""
    assert next_milepost([post(1, "")]).text == ""


def test_the_trip_sheet_says_the_first() -> None:
    assert next_milepost([], first=120.0, step=-1.0).text == "120"
    assert next_milepost([post(1, "")], first=120.0, step=-1.0).text == "119"


def test_up_and_down() -> None:
    assert next_milepost([post(1, "7")]).text == "8"
    assert next_milepost([post(1, "7")], step=-1.0).text == "6"
    assert next_milepost([post(1, "7.5")], step=0.25).text == "7.75"


def test_a_post_without_a_number_was_passed_all_the_same() -> None:
    assert next_milepost([post(1, "7"), post(2, ""), post(3, "")]).text == "10"


def test_order_is_by_run_time_not_by_entry() -> None:
    assert next_milepost([post(9, "9"), post(2, "2")]).text == "10"


def test_a_correction_moves_the_count_and_a_withdrawal_does_not_count() -> None:
    first, second = post(1, "7"), post(2, "8")
    assert next_milepost([first, second, second.revised(value="18")]).text == "19"
    assert next_milepost([first, second, second.revised(withdrawn=True)]).text == "8"


def test_the_count_turns_with_the_train() -> None:
    assert next_milepost([post(1, "9"), post(2, "8")], step=1.0).text == "7"


def test_a_jump_of_the_numbering_does_not_turn_it() -> None:
    assert next_milepost([post(1, "9"), post(2, "3")], step=1.0).text == "4"


def test_other_marks_do_not_count() -> None:
    assert next_milepost([post(1, "7"), post(2, "99", kind="remark")]).text == "8"


def test_a_step_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="step must be"):
        next_milepost([], step=0.0)
