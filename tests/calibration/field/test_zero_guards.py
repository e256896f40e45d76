"""What each witness says of a zero: a value, its limit, and passed, refused or not known."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.certificates.force import ForceCertificate
from calibration.field.checks import check_zero
from calibration.field.mean_counts import MeanCounts
from calibration.field.zero_guards import (
    GuardAnswer,
    GuardKind,
    ZeroGuard,
    doubted_u,
    expected_zero,
    guard_offset,
    guard_rail,
    guard_receiver,
    guard_scatter,
    guard_wheel,
    railed,
    standing,
)

REFUSED = GuardAnswer.REFUSED


def certificate(limit: float | None = 20_000.0) -> ForceCertificate:
    """1e-4 kN a count, 500 kN; a zero within 2 kN of the bench's is in limits."""
    return ForceCertificate.from_coefficients(
        (0.0, 1e-4), capacity_kN=500.0, nominal_zero_counts=1000.0, zero_limit_counts=limit
    )


def found(mean: float, *, sd: float = 10.0, drift: float = 0.0) -> MeanCounts:
    return MeanCounts(
        mean=mean, u=1.0, sd=sd, n=100, drift=drift, u_drift=0.0,
        lowest=mean - 3 * sd, highest=mean + 3 * sd,
    )  # fmt: skip


class TestWheel:
    @pytest.mark.parametrize("pulses", [0, 1, 2])
    def test_an_edge_that_dithers_is_no_movement(self, pulses: int) -> None:
        guard = guard_wheel(pulses, m_per_pulse=0.005, device="wheel")
        assert (guard.answer, guard.value, guard.limit) == (GuardAnswer.PASSED, pulses, 2.0)

    def test_a_train_that_rolls_is_refused_and_its_metres_told(self) -> None:
        guard = guard_wheel(312, m_per_pulse=0.005, device="wheel")
        assert guard.answer is GuardAnswer.REFUSED
        assert guard.text == "THE TRAIN MOVED, wheel: 312 pulses (1.56 m), at most 2"

    def test_a_silent_wheel_knows_nothing(self) -> None:
        guard = guard_wheel(None, m_per_pulse=0.005, device="wheel")
        assert (guard.answer, guard.value) == (GuardAnswer.NOT_KNOWN, None)
        assert guard.text == "wheel sent nothing"


class TestReceiver:
    @given(st.lists(st.floats(0.0, 0.3), min_size=1, max_size=10))
    def test_its_noise_at_rest_is_no_movement(self, speeds: list[float]) -> None:
        guard = guard_receiver(np.array(speeds), device="clock")
        assert guard.answer is GuardAnswer.PASSED

    def test_a_train_that_runs_is_refused(self) -> None:
        guard = guard_receiver(np.array([1.3, 1.4, 0.1]), device="clock")
        assert (guard.answer, guard.value, guard.unit) == (GuardAnswer.REFUSED, 1.3, "m/s")
        assert guard.text.startswith("THE TRAIN MOVED, clock: 1.30 m/s")

    def test_of_a_train_that_stands_nobody_reads_that_it_moved(self) -> None:
        assert guard_receiver(np.array([0.1]), device="clock").text.startswith(
            "clock: 0.10 m/s"
        )

    @pytest.mark.parametrize(
        ("speeds", "words"),
        [
            (None, "clock sent nothing"),
            ([], "clock has no fix"),
            ([math.nan], "clock has no fix"),
        ],
    )
    def test_without_a_fix_nothing_is_known(
        self, speeds: list[float] | None, words: str
    ) -> None:
        guard = guard_receiver(None if speeds is None else np.array(speeds), device="clock")
        assert (guard.answer, guard.text) == (GuardAnswer.NOT_KNOWN, words)


class TestCounts:
    def test_a_rail_and_a_swing_are_refused(self) -> None:
        cell = certificate()
        assert guard_rail(cell, found(8_388_607.0)).answer is GuardAnswer.REFUSED
        assert guard_rail(cell, found(0.0)).answer is GuardAnswer.PASSED
        assert railed([guard_rail(cell, found(8_388_607.0))])
        assert not railed([guard_rail(cell, found(0.0)), guard(GuardKind.OFFSET, REFUSED)])
        assert guard_scatter(cell, found(0.0, drift=51_000.0)).answer is GuardAnswer.REFUSED
        assert guard_scatter(cell, found(0.0)).answer is GuardAnswer.PASSED

    @pytest.mark.parametrize("end", [0, 1])
    def test_the_rail_and_the_count_at_it_are_told(self, end: int) -> None:
        """Exactly at it, the other counts well inside."""
        cell = certificate()
        at = float(cell.rails[end])
        inside = found(at / 2.0)
        held = replace(inside, lowest=at) if end == 0 else replace(inside, highest=at)
        guard = guard_rail(cell, held)
        assert (guard.answer, guard.value, guard.limit) == (GuardAnswer.REFUSED, at, at)


class TestOffset:
    def test_by_the_bench_when_none_was_taken(self) -> None:
        """As the zero check: the certificate's own limit of 20 000 counts."""
        cell = certificate()
        assert expected_zero(cell).limit_counts == 20_000.0
        for counts in (20_900.0, 21_100.0, -18_900.0, -19_100.0):
            passed = check_zero(cell, found(counts)).passed
            guard = guard_offset(cell, found(counts), expected_zero(cell))
            assert passed is (guard.answer is GuardAnswer.PASSED)
            assert passed is (abs(counts - 1000.0) <= 20_000.0)
        refused = guard_offset(cell, found(501_000.0), expected_zero(cell))
        assert refused.answer is GuardAnswer.REFUSED
        assert "+500000 counts (+50 kN) from the zero of certificate" in refused.text

    def test_by_the_zero_before_it_once_there_is_one(self) -> None:
        """An hour later the zero may have drifted by 0.15 % of 500 kN (from experience), twice
        over."""
        expected = expected_zero(certificate(), 90_000.0, 30.0, 3600.0)
        assert expected.counts == 90_000.0
        assert expected.limit_counts == pytest.approx(20_000.0 + 15_000.0)
        assert expected.u_counts == pytest.approx(math.hypot(30.0, 7500.0))

    def test_without_a_stated_limit_the_bench_says_nothing_but_the_last_zero_does(self) -> None:
        cell = certificate(None)
        guard = guard_offset(cell, found(4e6), expected_zero(cell))
        assert (guard.answer, guard.limit) == (GuardAnswer.NOT_KNOWN, None)
        # 1 % of 500 kN, and twice the drift at once of 0.05 % (from experience).
        later = expected_zero(cell, 0.0, 5.0, 1.0)
        assert later.limit_counts == pytest.approx(55_000.0, rel=1e-3)

    def test_at_once_nothing_has_drifted(self) -> None:
        expected = expected_zero(certificate(), 0.0, 5.0)
        assert (expected.limit_counts, expected.u_counts) == (20_000.0, 5.0)

    def test_a_zero_nobody_took_and_one_of_unknown_worth_are_worth_the_same(self) -> None:
        """0.1 % of 500 kN (from experience): 5000 counts."""
        assert expected_zero(certificate()).u_counts == pytest.approx(5_000.0)
        unknown = expected_zero(certificate(), 0.0, math.nan, 3600.0)
        assert unknown.u_counts == pytest.approx(math.hypot(5_000.0, 7_500.0))

    def test_an_unsure_zero_does_not_open_the_door_for_the_next(self) -> None:
        sure = expected_zero(certificate(), 0.0, 5.0, 60.0)
        unsure = expected_zero(certificate(), 0.0, 1e6, 60.0)
        assert sure.limit_counts == unsure.limit_counts
        assert unsure.u_counts > 1e6

    @given(st.floats(-1e6, 1e6), st.floats(0.0, 1e4))
    def test_a_doubted_zero_covers_what_may_be_force(self, offset: float, u: float) -> None:
        """Twice its uncertainty reaches back to what was expected, and it is no surer."""
        expected = expected_zero(certificate())
        doubted = doubted_u(u, offset, expected)
        assert 2.0 * doubted >= abs(offset)
        assert doubted >= max(u, expected.u_counts)

    def test_a_doubted_zero_is_rectangular_over_what_may_be_force(self) -> None:
        """3000 of offset: variance 3000² / 3 (JCGM 100:2008, 4.3.7; from memory)."""
        expected = replace(expected_zero(certificate()), u_counts=500.0)
        doubted = doubted_u(200.0, 3000.0, expected)
        assert doubted**2 == pytest.approx(200.0**2 + 3_000_000.0 + 500.0**2)


def guard(kind: GuardKind, answer: GuardAnswer) -> ZeroGuard:
    return ZeroGuard(kind=kind, answer=answer)


def test_one_witness_of_movement_is_enough_and_silence_is_not_rest() -> None:
    wheel, receiver = GuardKind.WHEEL, GuardKind.RECEIVER
    still, moved, unknown = GuardAnswer.PASSED, GuardAnswer.REFUSED, GuardAnswer.NOT_KNOWN
    assert standing([guard(wheel, still), guard(receiver, moved)]) is moved
    assert standing([guard(wheel, unknown), guard(receiver, still)]) is still
    assert standing([guard(wheel, unknown)]) is unknown
    assert standing([guard(GuardKind.SCATTER, still)]) is unknown
    assert standing([]) is unknown


def test_a_guard_is_kept_as_plain_json() -> None:
    for kept in (
        guard_wheel(3, m_per_pulse=None, device="wheel"),
        guard_receiver(None, device="clock"),
        guard_offset(certificate(), found(7.0), expected_zero(certificate())),
    ):
        document = json.loads(json.dumps(kept.to_document(), allow_nan=False))
        assert ZeroGuard.from_document(document) == kept


def test_what_is_no_number_is_no_value() -> None:
    document = {"kind": "wheel", "answer": "passed", "value": True, "limit": "2"}
    kept = ZeroGuard.from_document(document)
    assert kept is not None
    assert (kept.value, kept.limit) == (None, None)


@pytest.mark.parametrize(
    "document", [None, 3, [], {}, {"kind": "wheel"}, {"kind": "dog", "answer": "passed"}]
)
def test_what_is_no_guard_is_none(document: Any) -> None:
    assert ZeroGuard.from_document(document) is None
