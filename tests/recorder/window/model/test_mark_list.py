"""Marks: shown as taken only when acknowledged; nothing keyed is lost or overwritten."""

from __future__ import annotations

import pytest

from recorder.acquisition.control.requests import KeyedMark, MarkRevision
from recorder.marks.grammar import MarkValueError
from recorder.marks.kinds import DEFAULT_KEYS
from recorder.marks.mark import Mark
from recorder.window.model.crew.mark_list import Entry, EntryState, MarkList

S = 1_000_000_000


class Crew:
    """A list of marks, and what it asked of a recording that answers when asked to."""

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
def crew() -> Crew:
    return Crew()


def test_a_press_is_pending_until_acknowledged(crew: Crew) -> None:
    entry = crew.press("S", 5 * S)
    assert state(entry) is EntryState.PENDING
    assert crew.list.waiting_s(8 * S) == pytest.approx(3.0)
    crew.answer()
    assert state(entry) is EntryState.TAKEN
    assert crew.list.waiting_s(9 * S) == 0.0


def test_the_instant_is_the_key_down(crew: Crew) -> None:
    entry = crew.press("G", 123_456_789)
    (asked,) = crew.asked
    assert isinstance(asked, KeyedMark)
    assert (asked.mark_id, asked.keyed_monotonic_ns) == (entry.mark.mark_id, 123_456_789)
    assert entry.mark.t_s == 0.123456789


def test_a_key_without_a_mark_means_nothing(crew: Crew) -> None:
    assert crew.list.press("Q", S) is None
    assert not crew.asked


def test_closed_it_takes_no_press_and_says_why(crew: Crew) -> None:
    crew.list.closed = "SEALING: no more marks are taken"
    assert crew.list.press("S", S) is None
    assert crew.list.hint == "SEALING: no more marks are taken"
    assert not crew.asked


def test_what_is_asked_keeps_the_order_of_the_keys(crew: Crew) -> None:
    for i, key in enumerate("SGBSR"):
        crew.press(key, (i + 1) * S)
    assert [a.kind for a in crew.asked if isinstance(a, KeyedMark)] == [
        "station", "signal", "brake", "station", "remark",
    ]  # fmt: skip


@pytest.mark.parametrize(("step", "expected"), [(1.0, "12 13 14"), (-1.0, "12 11 10")])
def test_mileposts_count_themselves(step: float, expected: str) -> None:
    crew = Crew(first=12, step=step)
    for i in range(3):
        crew.press("M", i * 60 * S)
    assert [e.mark.value for e in crew.list.entries] == expected.split()


def test_the_count_follows_a_correction(crew: Crew) -> None:
    first = crew.press("M", S)
    crew.answer()
    crew.list.fill_in(first, "40")
    assert crew.list.next_milepost().text == "41"
    crew.answer()
    assert crew.list.next_milepost().text == "41"


def test_a_withdrawn_post_does_not_count(crew: Crew) -> None:
    crew.press("M", S)
    second = crew.press("M", 60 * S)
    crew.answer()
    crew.list.withdraw(second)
    assert crew.list.next_milepost().text == "13"


def test_two_presses_close_together_are_both_kept_and_said(crew: Crew) -> None:
    """The spacing itself is noted once, by the recording, whose every mark has it."""
    crew.press("B", S)
    crew.press("B", S + 120_000_000)
    assert [a.extra for a in crew.asked if isinstance(a, KeyedMark)] == [{}, {}]
    assert "within 0.12 s" in crew.list.hint
    assert "both are kept" in crew.list.hint


def test_other_keys_close_together_are_nothing_odd(crew: Crew) -> None:
    crew.press("B", S)
    crew.press("S", S + 50_000_000)
    assert crew.list.hint == ""


def test_details_make_a_new_revision_of_what_was_acknowledged(crew: Crew) -> None:
    entry = crew.press("W", S)
    crew.answer()
    crew.list.fill_in(entry, "used 900 L; from the tender")
    (request,) = crew.asked
    assert isinstance(request, MarkRevision)
    assert request.mark.revision == 1
    assert request.mark.mark_id == entry.mark.mark_id
    assert entry.mark.value == ""
    assert entry.shown.value == "used 900 L"
    crew.answer()
    assert (entry.mark.value, entry.mark.note) == ("used 900 L", "from the tender")


def test_details_typed_before_the_acknowledgement_wait_for_it(crew: Crew) -> None:
    entry = crew.press("S", S)
    crew.list.fill_in(entry, "Birchmoor")
    assert len(crew.asked) == 1
    requests = crew.answer()
    assert [type(r) for r in requests] == [KeyedMark, MarkRevision]
    assert entry.mark.value == "Birchmoor"


def test_changes_during_a_request_make_one_more_revision(crew: Crew) -> None:
    entry = crew.press("S", S)
    crew.answer()
    crew.list.fill_in(entry, "Birch")
    crew.list.fill_in(entry, "Birchmoor")
    assert len(crew.asked) == 1
    crew.answer()
    assert entry.mark.value == "Birchmoor"
    assert entry.mark.revision == 2


def test_what_a_kind_does_not_allow_changes_nothing(crew: Crew) -> None:
    entry = crew.press("V", S)
    crew.answer()
    with pytest.raises(MarkValueError, match="per cent"):
        crew.list.fill_in(entry, "steep")
    assert entry.wanted == {}
    assert not crew.asked


def test_withdrawing_is_a_revision_and_can_be_taken_back(crew: Crew) -> None:
    entry = crew.press("B", S)
    crew.answer()
    crew.list.withdraw(entry)
    crew.answer()
    assert entry.mark.withdrawn
    assert entry.mark.revision == 1
    assert entry not in crew.list.visible()
    crew.list.withdraw(entry)
    crew.answer()
    assert entry in crew.list.visible()
    assert entry.mark.revision == 2


def test_a_refusal_is_told_and_the_press_is_not_forgotten(crew: Crew) -> None:
    entry = crew.press("B", S)
    crew.list.refused(entry.mark.mark_id, "an instant outside the run")
    assert state(entry) is EntryState.REFUSED
    assert "outside" in entry.problem
    assert entry in crew.list.entries


def test_an_unanswered_press_is_asked_again_as_the_same_mark(crew: Crew) -> None:
    entry = crew.press("B", S)
    first = crew.asked.pop()
    crew.list.unanswered(entry.mark.mark_id, "does not answer")
    assert state(entry) is EntryState.UNSURE
    crew.list.send_again()
    assert crew.asked == [first]
    crew.answer()
    assert state(entry) is EntryState.TAKEN


def test_an_unanswered_press_that_was_kept_is_not_asked_twice(crew: Crew) -> None:
    entry = crew.press("B", 3 * S)
    asked = crew.asked.pop()
    crew.list.unanswered(entry.mark.mark_id, "does not answer")
    crew.list.refresh([kept(asked)])
    assert state(entry) is EntryState.TAKEN
    assert crew.list.entries == [entry]
    crew.list.send_again()
    assert not crew.asked


def test_a_press_not_kept_yet_is_pending_until_it_is_listed(crew: Crew) -> None:
    """A stalled disk: the recording has it and tries on; nobody keys it again."""
    entry = crew.press("S", S)
    asked = crew.asked.pop()
    crew.list.waits(entry.mark.mark_id, "not kept yet (database is locked)")
    assert state(entry) is EntryState.PENDING
    assert "locked" in entry.problem
    crew.list.fill_in(entry, "Birchmoor")
    assert crew.list.waiting_s(4 * S) == 3.0, "it is an alarm until it is kept"
    assert not crew.asked
    crew.list.refresh([kept(asked)])
    assert state(entry) is EntryState.TAKEN
    assert [type(r) for r in crew.asked] == [MarkRevision], "what was typed meanwhile follows"
    revision = crew.asked.pop()
    crew.list.waits(entry.mark.mark_id, "not kept yet")
    crew.list.refresh([kept(asked)])
    assert entry.wanted, "an old revision is not the one that waits"
    crew.list.refresh([kept(revision)])
    assert (entry.mark.value, entry.wanted, entry.busy) == ("Birchmoor", {}, False)
    assert not crew.asked
    assert crew.list.entries == [entry]


def test_a_recording_lost_with_a_mark_not_kept_is_asked_again_when_it_is_back(
    crew: Crew,
) -> None:
    entry = crew.press("S", S)
    first = crew.asked.pop()
    crew.list.waits(entry.mark.mark_id, "not kept yet")
    crew.list.contact_lost("the recording does not answer")
    assert state(entry) is EntryState.UNSURE
    crew.list.send_again()
    assert crew.asked == [first], "the same mark: it is kept once"


def test_marks_of_other_windows_are_taken_up_newest_revision_first(crew: Crew) -> None:
    old = Mark(mark_id="x", kind="station", t_s=9.0, value="A")
    crew.list.refresh([old, old.revised(value="B")])
    assert [e.mark.value for e in crew.list.entries] == ["B"]
    crew.list.refresh([old])
    assert [e.mark.value for e in crew.list.entries] == ["B"]


def test_a_refresh_before_the_answer_makes_no_double(crew: Crew) -> None:
    entry = crew.press("B", S)
    crew.list.refresh([kept(crew.asked[0])])
    assert state(entry) is EntryState.TAKEN
    crew.answer()
    assert crew.list.entries == [entry]


def test_details_typed_while_the_answer_is_on_its_way_wait_for_it(crew: Crew) -> None:
    entry = crew.press("S", S)
    crew.list.refresh([kept(crew.asked[0])])
    crew.list.fill_in(entry, "Birchmoor")
    assert [type(r) for r in crew.answer()] == [KeyedMark, MarkRevision]
    assert entry.mark.value == "Birchmoor"


def test_an_unknown_kind_of_a_newer_version_is_shown_by_its_name(crew: Crew) -> None:
    crew.list.refresh([Mark(mark_id="x", kind="catenary", t_s=1.0, value="dip")])
    assert crew.list.entries[0].label == "catenary dip"


def test_the_next_milepost_is_set_before_any_was_keyed() -> None:
    crew = Crew(first=None)
    assert crew.list.next_milepost().text == ""
    crew.list.set_next_milepost("40,5", S)
    crew.press("M", 2 * S)
    crew.press("M", 3 * S)
    assert [e.mark.value for e in crew.list.entries] == ["40.5", "41.5"]


def test_the_next_milepost_is_set_between_posts_and_those_before_keep_theirs(
    crew: Crew,
) -> None:
    """Where a line begins its count anew: 12, 13, then 105 and falling."""
    crew.press("M", S)
    crew.press("M", 2 * S)
    crew.list.set_next_milepost("105", 3 * S)
    assert "the next milepost is 105" in crew.list.hint
    crew.list.turn_count()
    crew.press("M", 4 * S)
    crew.press("M", 5 * S)
    assert [e.mark.value for e in crew.list.entries] == ["12", "13", "105", "104"]
    crew.answer()
    crew.list.fill_in(crew.list.entries[0], "11")
    assert crew.list.next_milepost().text == "103"


@pytest.mark.parametrize("typed", ["", "soon", "1e3"])
def test_a_next_milepost_that_is_no_number_changes_nothing(crew: Crew, typed: str) -> None:
    with pytest.raises(MarkValueError, match="allowed: a"):
        crew.list.set_next_milepost(typed, S)
    assert crew.list.next_milepost().text == "12"


def test_the_weather_keeps_its_semicolons_and_its_wind(crew: Crew) -> None:
    entry = crew.press("E", S)
    crew.answer()
    crew.list.fill_in(entry, "dry; wind 5 m/s from 270; 12 C")
    crew.answer()
    assert entry.mark.value == "dry; wind 5 m/s from 270; 12 C"
    assert entry.mark.note == ""
    assert crew.list.typed_of(entry) == "dry; wind 5 m/s from 270; 12 C"


def test_what_is_typed_again_begins_as_it_stands(crew: Crew) -> None:
    entry = crew.press("B", S)
    crew.list.fill_in(entry, "0; at the yard")
    assert crew.list.typed_of(entry) == "release; at the yard"


def test_a_mark_of_a_newer_version_is_not_given_a_value(crew: Crew) -> None:
    crew.list.refresh([Mark(mark_id="x", kind="catenary", t_s=1.0, value="dip")])
    with pytest.raises(MarkValueError, match="newer version"):
        crew.list.fill_in(crew.list.entries[0], "wire")
