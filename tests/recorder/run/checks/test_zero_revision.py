"""A zero is withdrawn, restored or accepted afterwards; what it was stays told."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from calibration.field.zero_guards import GuardAnswer, GuardKind, ZeroGuard, guard_wheel
from recorder.run.checks.zero_line import Zero, ZeroLine, ZeroTime, current_zeros
from recorder.run.checks.zero_revision import (
    RevisionMade,
    ZeroEdit,
    chosen_zeros,
    revised_zero,
)

ROLLED = guard_wheel(400, m_per_pulse=0.005, device="wheel")
FIRST = Zero(channel="pull", t_s=0.0, counts=10.0, u_counts=1.0, when=ZeroTime.BEFORE)
REFUSED = Zero(
    channel="pull", t_s=50.0, counts=900.0, u_counts=500.0, accepted=False, reason="it moved",
    guards=(ROLLED,),
)  # fmt: skip
LAST = Zero(channel="pull", t_s=90.0, counts=30.0, u_counts=1.0, when=ZeroTime.AFTER)


def made(reason: str = "coupler was tight") -> RevisionMade:
    return RevisionMade(reason=reason, by="observer 1", utc_ns=7, software="testcar 9")


def test_a_withdrawn_zero_points_at_what_it_was_and_says_why() -> None:
    gone = revised_zero(LAST, ZeroEdit.WITHDRAW, made())
    assert (gone.channel, gone.t_s, gone.counts) == ("pull", 90.0, 30.0)
    assert (gone.revision, gone.withdrawn, gone.by) == (1, "coupler was tight", "observer 1")
    assert (gone.entered_utc_ns, gone.software) == (7, "testcar 9")
    line = ZeroLine.through([FIRST, LAST, gone])
    assert line is not None
    assert line.counts.tolist() == [10.0]


def test_it_comes_back_with_its_reason() -> None:
    gone = revised_zero(LAST, ZeroEdit.WITHDRAW, made())
    back = revised_zero(gone, ZeroEdit.RESTORE, made("it was the other one"))
    assert back.holds
    assert (back.revision, back.restored) == (2, "it was the other one")
    assert 'restored: "it was the other one"' in back.text


def test_a_refused_zero_is_accepted_with_the_uncertainty_that_covers_the_doubt() -> None:
    taken = revised_zero(REFUSED, ZeroEdit.ACCEPT, made("light engine, slack seen"))
    assert taken.holds
    assert (taken.forced, taken.u_counts) == ("light engine, slack seen", 500.0)
    assert taken.reason == "it moved"


@pytest.mark.parametrize(
    ("zero", "edit", "why"),
    [
        (REFUSED, ZeroEdit.WITHDRAW, "was refused"),
        (LAST, ZeroEdit.RESTORE, "is not withdrawn"),
        (LAST, ZeroEdit.ACCEPT, "is accepted already"),
        (replace(LAST, withdrawn="x"), ZeroEdit.WITHDRAW, "is withdrawn already"),
        (replace(REFUSED, withdrawn="x"), ZeroEdit.ACCEPT, "restore it first"),
        (replace(REFUSED, guards=()), ZeroEdit.ACCEPT, "nothing to go by"),
        (replace(REFUSED, counts=math.nan), ZeroEdit.ACCEPT, "nothing to go by"),
        (
            replace(
                REFUSED, guards=(ZeroGuard(kind=GuardKind.RAIL, answer=GuardAnswer.REFUSED),)
            ),
            ZeroEdit.ACCEPT,
            "nothing to go by",
        ),
    ],
)
def test_what_cannot_be_done_says_why(zero: Zero, edit: ZeroEdit, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        revised_zero(zero, edit, made())


@pytest.mark.parametrize("reason", ["", "  "])
def test_without_a_reason_nothing_is_revised(reason: str) -> None:
    with pytest.raises(ValueError, match="no reason"):
        revised_zero(LAST, ZeroEdit.WITHDRAW, made(reason))


class TestChoice:
    zeros = (FIRST, REFUSED, LAST)

    def test_the_newest_it_can_be_done_to(self) -> None:
        assert chosen_zeros(self.zeros, ZeroEdit.WITHDRAW) == [LAST]
        assert chosen_zeros(self.zeros, ZeroEdit.ACCEPT) == [REFUSED]

    def test_by_number_as_listed(self) -> None:
        gone = revised_zero(FIRST, ZeroEdit.WITHDRAW, made())
        assert chosen_zeros([*self.zeros, gone], ZeroEdit.RESTORE, number=1) == [gone]
        assert current_zeros([*self.zeros, gone])[0] == gone

    def test_all_channels_that_were_taken_together(self) -> None:
        both = (replace(LAST, channel="push"), LAST)
        assert chosen_zeros(both, ZeroEdit.WITHDRAW) == list(both)
        assert chosen_zeros(both, ZeroEdit.WITHDRAW, channel="push") == [both[0]]

    @pytest.mark.parametrize("number", [0, 4, -1])
    def test_a_number_that_is_none(self, number: int) -> None:
        with pytest.raises(ValueError, match="the run has 3"):
            chosen_zeros(self.zeros, ZeroEdit.WITHDRAW, number=number)

    def test_of_another_channel_or_none_at_all(self) -> None:
        with pytest.raises(ValueError, match="is of pull, not of push"):
            chosen_zeros(self.zeros, ZeroEdit.WITHDRAW, number=1, channel="push")
        with pytest.raises(ValueError, match="no zero of push can be withdrawn"):
            chosen_zeros(self.zeros, ZeroEdit.WITHDRAW, channel="push")
        with pytest.raises(ValueError, match="no zero can be restored"):
            chosen_zeros(self.zeros, ZeroEdit.RESTORE)
