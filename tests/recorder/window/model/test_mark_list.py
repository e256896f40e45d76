"""Marks: shown as taken only when acknowledged; nothing keyed is lost or overwritten."""

from __future__ import annotations

import pytest

from recorder.marks.kinds import DEFAULT_KEYS, MarkValueError
from recorder.marks.mark import Mark
from recorder.window.model.crew.mark_list import (
    PENDING,
    REFUSED,
    TAKEN,
    UNSURE,
    MarkList,
    MarkRequest,
)

S = 1_000_000_000


def answer(book: MarkList) -> list[MarkRequest]:
    """Acknowledge everything asked, as the recording would."""
    done = []
    while book.outbox:
        request = book.outbox.popleft()
        mark = request.revision or Mark(
            mark_id=f"id-{request.number}",
            kind=request.kind,
            t_s=request.keyed_ns / S,
            value=request.value,
        )
        book.answered(request.number, mark)
        done.append(request)
    return done


@pytest.fixture
def book() -> MarkList:
    return MarkList(DEFAULT_KEYS, first=12)


def test_a_press_is_pending_until_acknowledged(book: MarkList) -> None:
    entry = book.press("S", 5 * S, 5.0)
    assert entry is not None
    assert entry.state == PENDING
    assert book.waiting_s(8 * S) == pytest.approx(3.0)
    answer(book)
    assert entry.state == TAKEN
    assert book.waiting_s(9 * S) == 0.0


def test_the_instant_is_the_key_down(book: MarkList) -> None:
    book.press("G", 123_456_789, 0.123456789)
    assert book.outbox[0].keyed_ns == 123_456_789


def test_a_key_without_a_mark_means_nothing(book: MarkList) -> None:
    assert book.press("Q", S, 1.0) is None
    assert not book.outbox


@pytest.mark.parametrize(("step", "expected"), [(1.0, "12 13 14"), (-1.0, "12 11 10")])
def test_mileposts_count_themselves(step: float, expected: str) -> None:
    book = MarkList(DEFAULT_KEYS, first=12, step=step)
    for i in range(3):
        book.press("M", i * 60 * S, i * 60.0)
    assert [e.mark.value for e in book.entries] == expected.split()


def test_the_count_follows_a_correction(book: MarkList) -> None:
    first = book.press("M", S, 1.0)
    answer(book)
    assert first is not None
    book.fill_in(first, "40")
    assert book.next_milepost() == "41"
    answer(book)
    assert book.next_milepost() == "41"


def test_a_withdrawn_post_does_not_count(book: MarkList) -> None:
    book.press("M", S, 1.0)
    second = book.press("M", 60 * S, 60.0)
    answer(book)
    assert second is not None
    book.withdraw(second)
    assert book.next_milepost() == "13"


def test_two_presses_close_together_are_both_kept_and_noted(book: MarkList) -> None:
    book.press("B", S, 1.0)
    second = book.press("B", S + 120_000_000, 1.12)
    assert second is not None
    assert len(book.outbox) == 2
    assert second.mark.extra["spacing_s"] == pytest.approx(0.12)
    assert "both are kept" in book.hint


def test_other_keys_close_together_are_nothing_odd(book: MarkList) -> None:
    book.press("B", S, 1.0)
    book.press("S", S + 50_000_000, 1.05)
    assert book.hint == ""


def test_details_make_a_new_revision_of_what_was_acknowledged(book: MarkList) -> None:
    entry = book.press("W", S, 1.0)
    answer(book)
    assert entry is not None
    book.fill_in(entry, "used 900 L; from the tender")
    request = book.outbox[0]
    assert request.revision is not None
    assert request.revision.revision == 1
    assert request.revision.mark_id == f"id-{entry.number}"
    assert entry.mark.value == ""
    assert entry.shown.value == "used 900 L"
    answer(book)
    assert (entry.mark.value, entry.mark.note) == ("used 900 L", "from the tender")


def test_details_typed_before_the_acknowledgement_wait_for_it(book: MarkList) -> None:
    entry = book.press("S", S, 1.0)
    assert entry is not None
    book.fill_in(entry, "Birchmoor")
    assert len(book.outbox) == 1
    requests = answer(book)
    assert [r.revision is None for r in requests] == [True, False]
    assert entry.mark.value == "Birchmoor"


def test_changes_during_a_request_make_one_more_revision(book: MarkList) -> None:
    entry = book.press("S", S, 1.0)
    answer(book)
    assert entry is not None
    book.fill_in(entry, "Birch")
    book.fill_in(entry, "Birchmoor")
    assert len(book.outbox) == 1
    answer(book)
    assert entry.mark.value == "Birchmoor"
    assert entry.mark.revision == 2


def test_what_a_kind_does_not_allow_changes_nothing(book: MarkList) -> None:
    entry = book.press("V", S, 1.0)
    answer(book)
    assert entry is not None
    with pytest.raises(MarkValueError, match="per cent"):
        book.fill_in(entry, "steep")
    assert entry.wanted == {}
    assert not book.outbox


def test_withdrawing_is_a_revision_and_can_be_taken_back(book: MarkList) -> None:
    entry = book.press("B", S, 1.0)
    answer(book)
    assert entry is not None
    book.withdraw(entry)
    answer(book)
    assert entry.mark.withdrawn
    assert entry.mark.revision == 1
    assert entry not in book.visible()
    book.withdraw(entry)
    answer(book)
    assert entry in book.visible()
    assert entry.mark.revision == 2


def test_a_refusal_is_told_and_the_press_is_not_forgotten(book: MarkList) -> None:
    entry = book.press("B", S, 1.0)
    assert entry is not None
    book.refused(entry.number, "an instant outside the run")
    assert entry.state == REFUSED
    assert "outside" in entry.problem
    assert entry in book.entries


def test_an_unanswered_press_is_asked_again_with_its_instant(book: MarkList) -> None:
    entry = book.press("B", S, 1.0)
    assert entry is not None
    book.outbox.clear()
    book.lost(entry.number, "does not answer")
    assert entry.state == UNSURE
    book.send_again()
    assert book.outbox[0].keyed_ns == S
    answer(book)
    assert entry.state == TAKEN


def test_an_unanswered_press_that_was_kept_is_not_asked_twice(book: MarkList) -> None:
    entry = book.press("B", 3 * S, 2.0)
    assert entry is not None
    book.outbox.clear()
    book.lost(entry.number, "does not answer")
    kept = Mark(mark_id="x", kind="brake", t_s=2.0)
    book.refresh([kept], started_monotonic_ns=S)
    assert entry.state == TAKEN
    assert entry.mark.mark_id == "x"
    book.send_again()
    assert not book.outbox


def test_marks_of_other_windows_are_taken_up_newest_revision_first(book: MarkList) -> None:
    old = Mark(mark_id="x", kind="station", t_s=9.0, value="A")
    book.refresh([old, old.revised(value="B")])
    assert [e.mark.value for e in book.entries] == ["B"]
    book.refresh([old])
    assert [e.mark.value for e in book.entries] == ["B"]


def test_a_refresh_before_the_answer_makes_no_double(book: MarkList) -> None:
    book.press("B", S, 1.0)
    mark = Mark(mark_id="id-1", kind="brake", t_s=1.0)
    book.refresh([mark])
    answer(book)
    assert len(book.entries) == 1


def test_an_unknown_kind_of_a_newer_version_is_shown_by_its_name(book: MarkList) -> None:
    book.refresh([Mark(mark_id="x", kind="catenary", t_s=1.0, value="dip")])
    assert book.entries[0].label == "catenary dip"
