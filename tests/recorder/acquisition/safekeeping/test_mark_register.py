"""Marks are durable before they are acknowledged, and what cannot be kept is refused."""

from __future__ import annotations

import threading
import uuid
from collections.abc import Iterator
from typing import Any

import pytest

from recorder.acquisition.control.requests import KeyedMark, MarkRevision, NotKeptYetError
from recorder.acquisition.safekeeping.mark_register import MarkRefusedError, MarkRegister
from recorder.keeping.errors import JournalError, NotKeptError
from recorder.machine.clocks import RunClock
from recorder.marks.kinds import MarkError
from recorder.marks.mark import SINCE_LAST, Mark

NO_THREAD = RuntimeError("can't start new thread")
REFUSED = JournalError("the journal refused a commit")
LOCKED = NotKeptError(5, "database is locked", "run.h5.journal")
START_NS = 1_000_000_000_000
OPEN_NS = START_NS - 6_000_000_000
"""The zero before the run takes six seconds."""


class Crew:
    """A register with a hand-wound clock and a journal that may fail."""

    def __init__(self) -> None:
        self.now_ns = START_NS + 10_000_000_000
        self.kept: list[Mark] = []
        self.fail: Exception | None = None
        self.faults: list[Exception] = []
        """Each is met once, before ``fail``."""
        self.flows = threading.Event()
        self.flows.set()
        self.tried = threading.Event()
        self.register = MarkRegister(
            self._commit,
            clock=RunClock(START_NS),
            open_ns=OPEN_NS,
            software="testcar 1",
            by="chief",
            now_ns=lambda: self.now_ns,
            utc_ns=lambda: 77,
            patience_s=0.3,
        )

    def _commit(self, mark: Mark) -> None:
        self.tried.set()
        assert self.flows.wait(20.0)
        if self.faults:
            raise self.faults.pop(0)
        if self.fail is not None:
            raise self.fail
        self.kept.append(mark)

    def key(
        self, kind: str = "milepost", t_s: float = 5.0, *, mark_id: str = "", value: str = ""
    ) -> Mark:
        return self.register.take(
            KeyedMark(
                mark_id=mark_id or uuid.uuid4().hex,
                kind=kind,
                keyed_monotonic_ns=START_NS + round(t_s * 1e9),
                value=value,
            )
        )

    def revise(self, mark: Mark, **changes: object) -> Mark:
        return self.register.revise(MarkRevision(mark.revised(**changes)))


@pytest.fixture
def crew() -> Iterator[Crew]:
    made = Crew()
    yield made
    made.flows.set()
    made.register.close(patience_s=0.0)


def test_the_instant_is_the_key_down(crew: Crew) -> None:
    mark = crew.key(t_s=5.25, value="12")
    assert mark.t_s == pytest.approx(5.25, abs=1e-9)
    assert (mark.by, mark.entered_utc_ns, mark.software) == ("chief", 77, "testcar 1")
    assert crew.kept == [mark]


def test_a_mark_that_could_not_be_kept_is_not_in_the_register(crew: Crew) -> None:
    crew.fail = OSError(28, "disk full")
    with pytest.raises(OSError, match="disk full"):
        crew.key()
    assert len(crew.register) == 0
    crew.fail = None
    assert crew.key().revision == 0


def test_the_same_mark_sent_twice_is_one_mark(crew: Crew) -> None:
    mark_id = uuid.uuid4().hex
    first = crew.key(mark_id=mark_id)
    assert crew.key(mark_id=mark_id, value="9") == first
    assert len(crew.kept) == 1


def test_a_mark_of_the_zero_keeps_its_instant_before_the_run(crew: Crew) -> None:
    mark = crew.key(t_s=-5.5)
    assert mark.t_s == pytest.approx(-5.5)
    assert crew.revise(mark, t_s=-5.4).t_s == pytest.approx(-5.4)


def test_once_closed_nothing_more_is_kept_and_the_count_stands(crew: Crew) -> None:
    mark = crew.key()
    assert crew.register.close() == 1
    with pytest.raises(MarkRefusedError, match="takes no more marks"):
        crew.key()
    with pytest.raises(MarkRefusedError, match="takes no more marks"):
        crew.revise(mark, value="13")
    assert crew.key(mark_id=mark.mark_id) == mark, "an answer that got lost is given again"
    assert crew.kept == [mark]


def test_a_bounced_key_is_kept_and_said(crew: Crew) -> None:
    crew.key(t_s=5.0)
    assert crew.key(t_s=5.1).extra == {SINCE_LAST: pytest.approx(0.1)}
    assert crew.key(t_s=5.15, kind="station").extra == {}
    assert crew.key(t_s=5.4).extra == {}
    assert crew.key(t_s=5.4).extra == {SINCE_LAST: 0.0}, "two keys at once"
    assert crew.key(t_s=5.3).extra == {}, "one that was keyed before it is no bounce of it"


def test_a_bounce_is_told_from_where_the_mark_before_was_keyed(crew: Crew) -> None:
    crew.revise(crew.key(t_s=5.0, value="12"), t_s=8.0)
    assert crew.key(t_s=5.1).extra == {SINCE_LAST: pytest.approx(0.1)}


def test_clocks_of_one_machine_may_differ_by_a_millisecond(crew: Crew) -> None:
    assert crew.key(t_s=10.001).t_s == pytest.approx(10.001)
    with pytest.raises(MarkRefusedError, match=r"keyed 0\.003 s in the future"):
        crew.key(t_s=10.003)


def test_who_corrects_a_mark_is_named(crew: Crew) -> None:
    first = crew.key(value="12")
    second = crew.revise(first, value="13", by="guard")
    assert second.by == "guard"
    assert crew.revise(second, value="14", by="").by == "chief", "as the recording was told"


@pytest.mark.parametrize(
    ("t_s", "why"), [(-6.1, "0.1 s before the recording began"), (1e4, "in the future")]
)
def test_an_instant_outside_the_recording_is_refused(crew: Crew, t_s: float, why: str) -> None:
    with pytest.raises(MarkRefusedError, match=why):
        crew.key(t_s=t_s)
    assert crew.kept == []


def test_an_unknown_kind_or_value(crew: Crew) -> None:
    with pytest.raises(MarkError, match="did you mean 'milepost'"):
        crew.key(kind="milpost")
    with pytest.raises(MarkError, match="a milepost number"):
        crew.key(value="twelve")


def test_a_correction_is_a_new_revision(crew: Crew) -> None:
    mark = crew.key(value="12")
    second = crew.revise(mark, value="13", note="misread")
    gone = crew.revise(second, withdrawn=True)
    assert [m.revision for m in crew.kept] == [0, 1, 2]
    assert (second.value, second.t_s, gone.withdrawn) == ("13", mark.t_s, True)
    assert crew.register.since(1) == [second, gone]


def test_a_correction_may_leave_the_instant_that_was_taken(crew: Crew) -> None:
    """Clocks of one machine differ by a millisecond or two: a key-down may be ahead of now."""
    mark = crew.key(t_s=10.001, value="12")
    assert crew.revise(mark, value="13").t_s == mark.t_s


def test_two_cannot_correct_the_same_revision(crew: Crew) -> None:
    mark = crew.key(value="12")
    crew.revise(mark, value="13")
    with pytest.raises(MarkRefusedError, match=r"the next revision of this mark is 2, got 1"):
        crew.revise(mark, value="14")


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"t_s": -6.1}, "-6.0 to 10.0 s"),
        ({"t_s": 99.0}, "-6.0 to 10.0 s"),
        ({"mark_id": "0" * 32}, "no mark"),
    ],
)
def test_a_wrong_correction(crew: Crew, changes: dict[str, Any], why: str) -> None:
    with pytest.raises(MarkRefusedError, match=why):
        crew.revise(crew.key(), **changes)
    assert len(crew.kept) == 1


def no_thread(_thread: threading.Thread) -> None:
    raise NO_THREAD


class TestStalled:
    """A disk that stalls or fails for a while: neither kept nor refused, and tried on."""

    def kept_by_itself(self, crew: Crew) -> None:
        """Wait until what waits is kept."""
        crew.fail = None
        crew.flows.set()
        crew.register.close(patience_s=20.0)

    @pytest.mark.parametrize("hangs", [False, True])
    def test_whoever_keys_learns_that_it_is_not_kept_yet_and_later_that_it_is(
        self, crew: Crew, hangs: bool
    ) -> None:
        mark_id = uuid.uuid4().hex
        if hangs:
            crew.flows.clear()
        else:
            crew.fail = LOCKED
        why = "the disk does not answer" if hangs else "database is locked"
        for _ in range(2):
            with pytest.raises(NotKeptYetError, match=f"not kept yet .{why}"):
                crew.key(mark_id=mark_id, value="12")
        assert (len(crew.register), crew.register.waiting) == (0, 1)
        assert crew.register.since(0) == []
        self.kept_by_itself(crew)
        assert [m.mark_id for m in crew.kept] == [mark_id], "keyed again it is the same mark"
        assert crew.register.since(0) == crew.kept
        assert crew.key(mark_id=mark_id, value="12") == crew.kept[0]

    def test_marks_are_kept_in_the_order_keyed(self, crew: Crew) -> None:
        crew.fail = LOCKED
        for t_s in (5.0, 5.1, 7.0):
            with pytest.raises(NotKeptYetError):
                crew.key(t_s=t_s)
        self.kept_by_itself(crew)
        assert [m.t_s for m in crew.kept] == pytest.approx([5.0, 5.1, 7.0])
        assert crew.kept[1].extra == {SINCE_LAST: pytest.approx(0.1)}

    def test_a_revision_asked_for_again_is_kept_once(self, crew: Crew) -> None:
        first = crew.key(value="12")
        crew.fail = LOCKED
        for _ in range(2):
            with pytest.raises(NotKeptYetError):
                crew.revise(first, value="13")
        with pytest.raises(MarkRefusedError, match="the next revision of this mark is 2"):
            crew.revise(first, value="14")
        self.kept_by_itself(crew)
        assert [m.value for m in crew.kept] == ["12", "13"]
        assert crew.revise(first, value="13") == crew.kept[1], "its answer got lost"

    def test_what_is_never_kept_is_counted_as_such_at_the_end(self, crew: Crew) -> None:
        crew.key(t_s=4.0)
        crew.fail = LOCKED
        mark_id = uuid.uuid4().hex
        with pytest.raises(NotKeptYetError):
            crew.key(t_s=5.0, mark_id=mark_id)
        waits = []
        assert crew.register.close(patience_s=0.0, waiting=lambda: waits.append(1)) == 1
        assert waits
        assert [m.mark_id for m in crew.register.not_kept] == [mark_id]
        with pytest.raises(MarkRefusedError):
            crew.key(t_s=5.0, mark_id=mark_id)

    def test_what_is_refused_after_its_client_was_told_to_wait_is_counted_as_such(
        self, crew: Crew
    ) -> None:
        crew.flows.clear()
        mark_id = uuid.uuid4().hex
        with pytest.raises(NotKeptYetError):
            crew.key(mark_id=mark_id)
        crew.faults = [REFUSED]
        assert crew.register.close(waiting=crew.flows.set) == 0
        assert [m.mark_id for m in crew.register.not_kept] == [mark_id]

    def test_one_that_is_kept_when_it_is_keyed_again_is_not_counted(self, crew: Crew) -> None:
        crew.faults = [REFUSED]
        mark_id = uuid.uuid4().hex
        with pytest.raises(JournalError):
            crew.key(mark_id=mark_id)
        crew.key(mark_id=mark_id)
        assert crew.register.close(patience_s=0.0) == 1
        assert crew.register.not_kept == []

    def test_a_last_try_that_failed_and_is_there_all_the_same_is_kept(self, crew: Crew) -> None:
        """As the journal has it: the same again is kept, of another its number is taken."""
        crew.flows.clear()
        mark_id = uuid.uuid4().hex
        with pytest.raises(NotKeptYetError):
            crew.key(mark_id=mark_id)
        crew.faults = [LOCKED]
        assert crew.register.close(patience_s=0.0, waiting=crew.flows.set) == 1
        assert [m.mark_id for m in crew.kept] == [mark_id]
        assert crew.register.not_kept == []

    def test_states_are_told_while_a_commit_hangs(self, crew: Crew) -> None:
        """Nothing that a client asks for waits for the disk."""
        crew.flows.clear()
        with pytest.raises(NotKeptYetError):
            crew.key()
        assert crew.tried.is_set()
        assert (len(crew.register), crew.register.since(0)) == (0, [])
        with pytest.raises(MarkRefusedError, match="in the future"):
            crew.key(t_s=99.0)

    def test_a_correction_is_never_kept_without_what_it_corrects(self, crew: Crew) -> None:
        crew.flows.clear()
        mark_id = uuid.uuid4().hex
        with pytest.raises(NotKeptYetError):
            crew.key(mark_id=mark_id, value="12")
        keyed = Mark(mark_id=mark_id, kind="milepost", t_s=5.0, value="12")
        with pytest.raises(NotKeptYetError):
            crew.revise(keyed, value="13")
        crew.faults = [LOCKED, LOCKED]
        crew.register.close(patience_s=0.0, waiting=crew.flows.set)
        assert crew.kept == []
        assert [m.revision for m in crew.register.not_kept] == [0, 1]

    def test_a_thread_that_is_not_to_be_had_costs_no_mark(
        self, crew: Crew, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        with monkeypatch.context() as patched:
            patched.setattr(threading.Thread, "start", no_thread)
            with pytest.raises(NotKeptYetError, match="can't start new thread"):
                crew.key(t_s=5.0)
        crew.key(t_s=6.0)
        assert [m.t_s for m in crew.kept] == pytest.approx([5.0, 6.0])

    def test_with_no_thread_up_to_the_end_the_end_keeps_it_itself(
        self, crew: Crew, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(threading.Thread, "start", no_thread)
        with pytest.raises(NotKeptYetError):
            crew.key()
        assert crew.register.close(patience_s=0.0) == 1
