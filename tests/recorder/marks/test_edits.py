"""Marks after the run: each edit is a new revision, stamped, and never one that cannot stand."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.marks.edits import MarkEditError, MarkEdits, UnchangedError, short_ids
from recorder.marks.grammar import MarkValueError
from recorder.marks.kinds import Kind, UnknownKindError
from recorder.marks.mark import Mark, by_mark, current
from recorder.marks.values import parse

FIRST = Mark(mark_id="a" * 32, kind=Kind.MILEPOST, t_s=-2.0, value="41", by="crew")
SECOND = Mark(mark_id="ab" * 16, kind=Kind.BRAKE, t_s=50.0, value="sort of", by="crew")
NEWER = Mark(mark_id="c" * 32, kind="catenary", t_s=60.0, value="dip")


def edits(*more: Mark) -> MarkEdits:
    return MarkEdits(
        [FIRST, SECOND, NEWER, *more],
        duration_s=100.0,
        by="office",
        software="testcar test",
        utc_ns=lambda: 77,
    )


def test_a_mark_is_added_with_who_when_and_version() -> None:
    made = edits().add("regulator", 12.5, "100 %", "seen  on the chart")
    assert (made.kind, made.t_s, made.value) == (Kind.THROTTLE, 12.5, "100 %")
    assert (made.revision, made.note) == (0, "seen on the chart")
    assert (made.by, made.entered_utc_ns, made.software) == ("office", 77, "testcar test")
    assert made.mark_id != edits().add("remark", 12.5).mark_id


def test_a_correction_is_the_next_revision_in_the_form_of_the_kind() -> None:
    made = edits().correct(FIRST, value=" 42,50 ")
    assert (made.mark_id, made.revision, made.value) == (FIRST.mark_id, 1, "42.5")
    assert (made.t_s, made.by) == (FIRST.t_s, "office")
    other = edits().correct(FIRST, kind="station", value="Mill", note="not a post")
    assert (other.kind, other.value, other.note) == (Kind.STATION, "Mill", "not a post")


def test_what_does_not_read_stays_as_it_is_unless_it_is_corrected() -> None:
    assert edits().correct(SECOND, note="asked the driver").value == "sort of"
    assert edits().withdraw(SECOND).value == "sort of"
    assert edits().move(SECOND, 51.0).value == "sort of"
    assert edits().correct(SECOND, value="0").value == "release"


def test_a_mark_of_a_newer_version_may_be_withdrawn_but_not_given_a_value() -> None:
    assert edits().withdraw(NEWER).kind == "catenary"
    with pytest.raises(MarkEditError, match="newer version"):
        edits().correct(NEWER, value="wire")


def test_a_move_stays_inside_the_run_and_the_zero_before_it() -> None:
    assert edits().move(SECOND, -2.0).t_s == -2.0
    assert edits().move(SECOND, 100.0).t_s == 100.0
    for t_s in (-2.1, 100.1, float("nan"), float("inf")):
        with pytest.raises(MarkEditError, match=r"allowed: run time from -2\.0 to 100\.0 s"):
            edits().move(SECOND, t_s)


def test_withdrawn_and_brought_back() -> None:
    gone = edits().withdraw(SECOND)
    assert SECOND.mark_id not in {m.mark_id for m in current([FIRST, SECOND, gone])}
    with pytest.raises(MarkEditError, match="restore it first"):
        edits(gone).move(gone, 51.0)
    back = edits(gone).restore(gone)
    assert (back.revision, back.withdrawn) == (2, False)
    assert back in current([FIRST, SECOND, gone, back])


def test_nothing_to_change_keeps_nothing() -> None:
    with pytest.raises(UnchangedError, match="so already"):
        edits().correct(FIRST, value="41.0")
    with pytest.raises(UnchangedError, match="so already"):
        edits().move(FIRST, -2.0)
    with pytest.raises(UnchangedError, match="is not withdrawn"):
        edits().restore(FIRST)


def test_what_the_grammar_refuses_is_refused() -> None:
    with pytest.raises(MarkValueError, match="a milepost number"):
        edits().correct(FIRST, value="twelve")
    with pytest.raises(UnknownKindError, match="did you mean 'brake'"):
        edits().add("brak", 1.0)
    with pytest.raises(MarkEditError, match="note: at most 4000"):
        edits().add("remark", 1.0, note="x" * 4001)


def test_a_mark_is_found_by_the_beginning_of_its_id() -> None:
    changed = FIRST.revised(value="42")
    assert edits(changed).find("AAA") == changed
    assert edits().find("ab") == SECOND
    with pytest.raises(MarkEditError, match=r"2 marks begin with 'a' \(a{32}, (ab){16}"):
        edits().find("a")
    with pytest.raises(MarkEditError, match="no mark begins with 'f'"):
        edits().find("f")
    with pytest.raises(MarkEditError, match="3 marks begin with ''"):
        edits().find("")


def test_ids_are_shown_as_long_as_tells_them_apart() -> None:
    assert short_ids([FIRST, SECOND]) == {FIRST.mark_id: "a" * 8, SECOND.mark_id: "ab" * 4}
    twin = Mark(mark_id="a" * 9 + "b" * 23, kind="remark", t_s=1.0)
    assert short_ids([FIRST, twin])[twin.mark_id] == "a" * 9 + "b"


def test_the_history_stands_by_mark_whatever_was_moved() -> None:
    moved = FIRST.revised(t_s=90.0)
    assert by_mark([moved, SECOND, FIRST]) == [FIRST, moved, SECOND]


@given(st.text(max_size=300), st.text(max_size=300))
def test_any_words_are_kept_in_form_or_refused(value: str, note: str) -> None:
    for kind in Kind:
        with contextlib.suppress(MarkValueError, MarkEditError):
            made = edits().add(kind, 1.0, value, note)
            assert edits(made).find(made.mark_id) == made
            assert made.meaning == parse(kind, made.value) or kind is Kind.WEATHER
