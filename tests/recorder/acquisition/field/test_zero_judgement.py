"""A zero is accepted, refused or forced by its guards, and its uncertainty covers the doubt."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from calibration.certificates.force import ForceCertificate
from calibration.field.mean_counts import MeanCounts
from calibration.field.zero_guards import (
    GuardAnswer,
    GuardKind,
    ZeroGuard,
    guard_receiver,
    guard_wheel,
)
from recorder.acquisition.field.zero_judgement import TakenZero, judged_zero
from recorder.run.checks.zero_line import Zero, ZeroLine, ZeroTime, ZeroWish

CELL = ForceCertificate.from_coefficients(
    (0.0, 1e-4), capacity_kN=500.0, nominal_zero_counts=1000.0, zero_limit_counts=20_000.0
)
STILL = guard_wheel(0, m_per_pulse=0.005, device="wheel")
ROLLED = guard_wheel(400, m_per_pulse=0.005, device="wheel")
RAN = guard_receiver(np.array([2.0]), device="clock")
NO_FIX = guard_receiver(np.empty(0), device="clock")
BY_CREW = ZeroWish(force="light engine, coupler seen slack", by="observer 1")


def judged(
    counts: float,
    *motion: ZeroGuard,
    sd: float = 10.0,
    drift: float = 0.0,
    last: Zero | None = None,
    wish: ZeroWish | None = None,
) -> Zero:
    mean = MeanCounts(
        mean=counts, u=1.0, sd=sd, n=4000, drift=drift, u_drift=0.03 * sd,
        lowest=counts - 3 * sd, highest=counts + 3 * sd,
    )  # fmt: skip
    taken = TakenZero(
        channel="pull", certificate=CELL, found=mean, motion=motion, last=last, seconds=2.0,
        t_s=100.0, when=ZeroTime.DURING,
    )  # fmt: skip
    return judged_zero(taken, wish or ZeroWish())


def test_at_rest_and_in_limits_it_is_as_sure_as_its_mean() -> None:
    zero = judged(1100.0, STILL, NO_FIX)
    assert (zero.accepted, zero.reason, zero.u_counts) == (True, "", 1.0)
    assert zero.stood is GuardAnswer.PASSED
    assert [g.kind for g in zero.guards] == [
        GuardKind.WHEEL, GuardKind.RECEIVER, GuardKind.RAIL, GuardKind.SCATTER, GuardKind.OFFSET,
    ]  # fmt: skip


def test_a_train_that_rolls_by_wheel_has_no_zero() -> None:
    """It pulls 0.1 kN steadily: counts and limits are fine, the wheel is not."""
    zero = judged(2000.0, ROLLED)
    assert not zero.accepted
    assert "THE TRAIN MOVED" in zero.text
    assert "coupler slack (local rules first)" in zero.text


def test_a_train_that_runs_by_receiver_alone_has_no_zero() -> None:
    assert not judged(2000.0, RAN).accepted
    assert not judged(2000.0, STILL, RAN).accepted


def test_a_steady_pull_of_fifty_kilonewtons_is_refused_by_its_offset() -> None:
    """At rest with a tight coupler, or with nobody to say whether it moves."""
    for motion in ((STILL,), (NO_FIX,), ()):
        zero = judged(501_000.0, *motion)
        assert not zero.accepted
        assert "OUT OF LIMITS" in zero.reason


def test_a_swing_is_refused() -> None:
    zero = judged(1000.0, STILL, sd=60_000.0)
    assert not zero.accepted
    assert "NOT STEADY" in zero.reason


def test_a_zero_that_ramps_is_refused_and_forced_only_with_a_reason() -> None:
    """4 kN of 500 in the seconds it took: it lies where a zero may lie, and is none."""
    zero = judged(1000.0, STILL, sd=500.0, drift=40_000.0)
    assert not zero.accepted
    assert "NOT STEADY, drift 4 kN" in zero.reason
    forced = judged(1000.0, STILL, sd=500.0, drift=40_000.0, wish=BY_CREW)
    assert forced.accepted
    assert forced.u_counts >= 40_000.0 / math.sqrt(3.0)


def test_the_check_and_the_guard_of_a_first_zero_say_the_same() -> None:
    for counts in (20_500.0, 22_000.0, 30_500.0, 45_000.0):
        zero = judged(counts, STILL)
        assert zero.check is not None
        assert zero.check.passed is zero.accepted


def test_a_forced_zero_keeps_the_reason_and_covers_the_doubt() -> None:
    """50 kN off may be force: rectangular, 29 kN of standard uncertainty."""
    zero = judged(501_000.0, STILL, wish=BY_CREW)
    assert (zero.accepted, zero.forced, zero.by) == (True, BY_CREW.force, "observer 1")
    assert zero.u_counts >= 500_000.0 / math.sqrt(3.0)
    assert 'FORCED: "light engine, coupler seen slack"' in zero.text
    line = ZeroLine.through([zero])
    assert line is not None
    assert line.counts.tolist() == [501_000.0]


def test_a_wish_to_force_changes_nothing_that_needs_no_force() -> None:
    zero = judged(1100.0, STILL, wish=BY_CREW)
    assert (zero.forced, zero.by, zero.u_counts) == ("", "", 1.0)


def test_a_rail_or_nothing_cannot_be_forced() -> None:
    assert not judged(8_388_607.0, STILL, wish=BY_CREW).accepted
    nothing = TakenZero(
        channel="pull", certificate=CELL, found=None, motion=(STILL,), last=None, seconds=2.0,
        t_s=100.0, when=ZeroTime.DURING,
    )  # fmt: skip
    zero = judged_zero(nothing, BY_CREW)
    assert not zero.accepted
    assert "nothing came" in zero.reason


def test_with_nobody_to_tell_it_stood_it_is_no_surer_than_what_was_expected() -> None:
    """0.1 % of 500 kN about the bench's zero, and up to its offset of 0.9 kN."""
    zero = judged(10_000.0, NO_FIX)
    assert zero.accepted
    assert "NOT KNOWN whether the train stood" in zero.text
    assert zero.u_counts == math.hypot(1.0, math.hypot(9000.0 / math.sqrt(3.0), 5000.0))


def test_after_a_forced_zero_the_next_is_expected_there() -> None:
    """The cell was mounted anew: the crew said so once, standing, and it stays where it was."""
    last = judged(501_000.0, STILL, wish=BY_CREW)
    later = judged(501_200.0, STILL, last=last)
    assert later.accepted
    # The bench's zero still is far away, so it is not taken for sure.
    assert "OUT OF LIMITS" in later.reason
    assert later.u_counts > 200.0


@given(st.floats(-2e6, 2e6), st.sampled_from([(STILL,), (ROLLED,), (NO_FIX,), ()]))
def test_force_in_a_zero_is_refused_or_covered(
    counts: float, motion: tuple[ZeroGuard, ...]
) -> None:
    """Whatever lies between the bench's zero and this one may be force."""
    zero = judged(counts, *motion, wish=BY_CREW)
    doubted = zero.stood is not GuardAnswer.PASSED or bool(zero.reason)
    assert not doubted or 2.0 * zero.u_counts >= abs(counts - 1000.0)
