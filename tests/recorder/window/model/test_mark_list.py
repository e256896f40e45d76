"""Marks: shown as taken only when acknowledged; nothing keyed is lost or overwritten."""

from __future__ import annotations

import pytest

from recorder.acquisition.control.requests import KeyedMark, MarkRevision
from recorder.marks.kinds import DEFAULT_KEYS, MarkValueError
from recorder.marks.mark import Mark
from recorder.window.model.crew.mark_list import Entry, EntryState, MarkList

S = 1_000_000_000


class Desk:
    """A list of marks, and what it asked of a recording that answers when told to."""

    def __init__(self, *, first: float | None = 12, step: float = 1.0) -> None:
        self.asked: list[KeyedMark | MarkRevision] = []
        self.list = MarkList(DEFAULT_KEYS, send=self.asked.append, first=first, step=step)

    def press(self, key: str, keyed_ns: int) -> Entry:
        entry = self.list.press(key, keyed_ns)
        assert entry is not None
        return entry

    def answer(self) -> list[KeyedMark | MarkRevision]:
        """Acknowledge everything asked, as the recording would."""
        done = []
        while self.asked:
            request = self.asked.pop(0)
            self.list.answered(kept(request))
            done.append(request)
        return done


def kept(request: KeyedMark | MarkRevision) -> Mark:
    """The mark the recording makes of a request; the run began at monotonic 0."""
    if isinstance(request, MarkRevision):
        return request.mark
    return Mark(
        mark_id=request.mark_id,
        kind=request.kind,
        t_s=request.keyed_monotonic_ns / S,
        value=request.value,
    )


def state(entry: Entry) -> EntryState:
    """Asked anew each time: an entry changes behind the back of who holds it."""
    return entry.state


@pytest.fixture
def desk() -> Desk:
    return Desk()


def test_a_press_is_pending_until_acknowledged(desk: Desk) -> None:
    entry = desk.press("S", 5 * S)
    assert state(entry) is EntryState.PENDING
    assert desk.list.waiting_s(8 * S) == pytest.approx(3.0)
    desk.answer()
    assert state(entry) is EntryState.TAKEN
    assert desk.list.waiting_s(9 * S) == 0.0


def test_the_instant_is_the_key_down(desk: Desk) -> None:
    entry = desk.press("G", 123_456_789)
    (asked,) = desk.asked
    assert isinstance(asked, KeyedMark)
    assert (asked.mark_id, asked.keyed_monotonic_ns) == (entry.mark.mark_id, 123_456_789)
    assert entry.mark.t_s == 0.123456789


def test_a_key_without_a_mark_means_nothing(desk: Desk) -> None:
    assert desk.list.press("Q", S) is None
    assert not desk.asked


def test_closed_it_takes_no_press_and_says_why(desk: Desk) -> None:
    desk.list.closed = "SEALING: the run takes no more marks"
    assert desk.list.press("S", S) is None
    assert desk.list.hint == "SEALING: the run takes no more marks"
    assert not desk.asked


def test_what_is_asked_keeps_the_order_of_the_keys(desk: Desk) -> None:
    for i, key in enumerate("SGBSR"):
        desk.press(key, (i + 1) * S)
    assert [a.kind for a in desk.asked if isinstance(a, KeyedMark)] == [
        "station", "signal", "brake", "station", "remark",
    ]  # fmt: skip


@pytest.mark.parametrize(("step", "expected"), [(1.0, "12 13 14"), (-1.0, "12 11 10")])
def test_mileposts_count_themselves(step: float, expected: str) -> None:
    desk = Desk(first=12, step=step)
    for i in range(3):
        desk.press("M", i * 60 * S)
    assert [e.mark.value for e in desk.list.entries] == expected.split()


def test_the_count_follows_a_correction(desk: Desk) -> None:
    first = desk.press("M", S)
    desk.answer()
    desk.list.fill_in(first, "40")
    assert desk.list.next_milepost() == "41"
    desk.answer()
    assert desk.list.next_milepost() == "41"


def test_a_withdrawn_post_does_not_count(desk: Desk) -> None:
    desk.press("M", S)
    second = desk.press("M", 60 * S)
    desk.answer()
    desk.list.withdraw(second)
    assert desk.list.next_milepost() == "13"


def test_two_presses_close_together_are_both_kept_and_said(desk: Desk) -> None:
    """The spacing itself is noted once, by the recording, whose every mark has it."""
    desk.press("B", S)
    desk.press("B", S + 120_000_000)
    assert [a.extra for a in desk.asked if isinstance(a, KeyedMark)] == [{}, {}]
    assert "within 0.12 s" in desk.list.hint
    assert "both are kept" in desk.list.hint


def test_other_keys_close_together_are_nothing_odd(desk: Desk) -> None:
    desk.press("B", S)
    desk.press("S", S + 50_000_000)
    assert desk.list.hint == ""


def test_details_make_a_new_revision_of_what_was_acknowledged(desk: Desk) -> None:
    entry = desk.press("W", S)
    desk.answer()
    desk.list.fill_in(entry, "used 900 L; from the tender")
    (request,) = desk.asked
    assert isinstance(request, MarkRevision)
    assert request.mark.revision == 1
    assert request.mark.mark_id == entry.mark.mark_id
    assert entry.mark.value == ""
    assert entry.shown.value == "used 900 L"
    desk.answer()
    assert (entry.mark.value, entry.mark.note) == ("used 900 L", "from the tender")


def test_details_typed_before_the_acknowledgement_wait_for_it(desk: Desk) -> None:
    entry = desk.press("S", S)
    desk.list.fill_in(entry, "Birchmoor")
    assert len(desk.asked) == 1
    requests = desk.answer()
    assert [type(r) for r in requests] == [KeyedMark, MarkRevision]
    assert entry.mark.value == "Birchmoor"


def test_changes_during_a_request_make_one_more_revision(desk: Desk) -> None:
    entry = desk.press("S", S)
    desk.answer()
    desk.list.fill_in(entry, "Birch")
    desk.list.fill_in(entry, "Birchmoor")
    assert len(desk.asked) == 1
    desk.answer()
    assert entry.mark.value == "Birchmoor"
    assert entry.mark.revision == 2


def test_what_a_kind_does_not_allow_changes_nothing(desk: Desk) -> None:
    entry = desk.press("V", S)
    desk.answer()
    with pytest.raises(MarkValueError, match="per cent"):
        desk.list.fill_in(entry, "steep")
    assert entry.wanted == {}
    assert not desk.asked


def test_withdrawing_is_a_revision_and_can_be_taken_back(desk: Desk) -> None:
    entry = desk.press("B", S)
    desk.answer()
    desk.list.withdraw(entry)
    desk.answer()
    assert entry.mark.withdrawn
    assert entry.mark.revision == 1
    assert entry not in desk.list.visible()
    desk.list.withdraw(entry)
    desk.answer()
    assert entry in desk.list.visible()
    assert entry.mark.revision == 2


def test_a_refusal_is_told_and_the_press_is_not_forgotten(desk: Desk) -> None:
    entry = desk.press("B", S)
    desk.list.refused(entry.mark.mark_id, "an instant outside the run")
    assert state(entry) is EntryState.REFUSED
    assert "outside" in entry.problem
    assert entry in desk.list.entries


def test_an_unanswered_press_is_asked_again_as_the_same_mark(desk: Desk) -> None:
    entry = desk.press("B", S)
    first = desk.asked.pop()
    desk.list.unanswered(entry.mark.mark_id, "does not answer")
    assert state(entry) is EntryState.UNSURE
    desk.list.send_again()
    assert desk.asked == [first]
    desk.answer()
    assert state(entry) is EntryState.TAKEN


def test_an_unanswered_press_that_was_kept_is_not_asked_twice(desk: Desk) -> None:
    entry = desk.press("B", 3 * S)
    asked = desk.asked.pop()
    desk.list.unanswered(entry.mark.mark_id, "does not answer")
    desk.list.refresh([kept(asked)])
    assert state(entry) is EntryState.TAKEN
    assert desk.list.entries == [entry]
    desk.list.send_again()
    assert not desk.asked


def test_marks_of_other_windows_are_taken_up_newest_revision_first(desk: Desk) -> None:
    old = Mark(mark_id="x", kind="station", t_s=9.0, value="A")
    desk.list.refresh([old, old.revised(value="B")])
    assert [e.mark.value for e in desk.list.entries] == ["B"]
    desk.list.refresh([old])
    assert [e.mark.value for e in desk.list.entries] == ["B"]


def test_a_refresh_before_the_answer_makes_no_double(desk: Desk) -> None:
    entry = desk.press("B", S)
    desk.list.refresh([kept(desk.asked[0])])
    assert state(entry) is EntryState.TAKEN
    desk.answer()
    assert desk.list.entries == [entry]


def test_details_typed_while_the_answer_is_on_its_way_wait_for_it(desk: Desk) -> None:
    entry = desk.press("S", S)
    desk.list.refresh([kept(desk.asked[0])])
    desk.list.fill_in(entry, "Birchmoor")
    assert [type(r) for r in desk.answer()] == [KeyedMark, MarkRevision]
    assert entry.mark.value == "Birchmoor"


def test_an_unknown_kind_of_a_newer_version_is_shown_by_its_name(desk: Desk) -> None:
    desk.list.refresh([Mark(mark_id="x", kind="catenary", t_s=1.0, value="dip")])
    assert desk.list.entries[0].label == "catenary dip"
