"""The one answer: every band must meet, and many tests condemn nobody by chance."""

from __future__ import annotations

import pytest

from recorder.analysis.specification.bands import Band
from recorder.analysis.specification.overall import (
    Overall,
    in_view_of_counts,
    judge_all,
    judge_bands,
    untested,
)
from recorder.analysis.specification.verdicts import Verdict, judge_margin
from recorder.analysis.stretches.specification import Specification
from recorder.analysis.uncertainty.measured import Measured
from tests.recorder.analysis.drawn_runs import kN

PROMISE = Specification(name="promise", speed_m_s=(5.0, 20.0), pull_kN=(200.0, 60.0))
STARTING_ALONE = Specification(
    name="starting", speed_m_s=(), pull_kN=(), starting_pull_kN=250.0
)


def band(
    number: int,
    margin: Measured | None,
    *,
    limit_kN: float = 100.0,
    ridden: tuple[tuple[float, float], ...] = (),
    refusals: tuple[tuple[str, int], ...] = (),
) -> Band:
    """Ten km/h wide; refused where there is no margin but a reason."""
    low, one = number * 10.0 / 3.6, kN(1.0)
    unjudged = Verdict.REFUSED if refusals else Verdict.NOT_SPECIFIED
    return Band(
        low_m_s=low, high_m_s=low + 10.0 / 3.6, stretches=1, speed=one, pull=one, power=one,
        margin=margin, limit_kN=limit_kN, admitted=1, probability=0.5, ridden_m_s=ridden,
        verdict=unjudged if margin is None else judge_margin(margin)[0],
        refused=sum(n for _, n in refusals), refusals=refusals,
    )  # fmt: skip


def bands(*times_u: float) -> list[Band]:
    """Bands whose margins lie so many of their own standard uncertainties above the limit."""
    return [band(i, kN(x, **{f"own {i}": 1.0})) for i, x in enumerate(times_u)]


class TestBands:
    def test_every_band_must_meet(self) -> None:
        assert judge_bands(bands(3.0, 2.0)).verdict is Verdict.MEETS
        told = judge_bands(bands(3.0, 0.5, 3.0))
        assert told.verdict is Verdict.CANNOT_TELL
        assert told.reasons == ("not decided at 10-20 km/h",)

    def test_one_band_alone_is_one_test(self) -> None:
        """At 5 % of the normal distribution: 1.645."""
        told = judge_bands(bands(-1.70))
        assert told.verdict is Verdict.DOES_NOT_MEET
        assert told.reasons == ("below at 0-10 km/h",)
        assert judge_bands(bands(-1.60)).verdict is Verdict.CANNOT_TELL

    def test_two_bands_and_their_mean_are_three_tests(self) -> None:
        """5 % over three is 1.67 %: the normal distribution's 2.128."""
        told = judge_bands(bands(-2.10, 20.0))
        assert told.verdict is Verdict.CANNOT_TELL
        assert told.reasons == (
            "below at 0-10 km/h by itself, but not beyond what 3 tests give by chance",
        )
        told = judge_bands(bands(-2.16, 20.0))
        assert (told.verdict, told.reasons) == (Verdict.DOES_NOT_MEET, ("below at 0-10 km/h",))

    def test_many_a_little_below_are_condemned_by_their_mean(self) -> None:
        """Four at -1.5 have a mean at -1.5 · √4 = -3; 5 % over five tests is at -2.326."""
        told = judge_bands(bands(-1.5, -1.5, -1.5, -1.5))
        assert told.verdict is Verdict.DOES_NOT_MEET
        assert told.reasons == ("below at mean of all bands",)

    def test_the_mean_is_of_shares_of_the_limit_by_their_own_uncertainty(self) -> None:
        """10 ± 0.5 % weighs four times as much as 20 ± 1 %: 12 % (weighted mean, from memory)."""
        margins = (kN(10.0, a=0.5), kN(40.0, b=2.0))
        both = [band(1, margins[0]), band(2, margins[1], limit_kN=200.0)]
        for held in (both, [*both, band(3, kN(50.0, c=0.1), limit_kN=0.0)]):
            mean = judge_bands(held).margin
            assert mean is not None
            assert mean.value == pytest.approx(12.0, rel=1e-9)
            assert mean.unit == "%"

    def test_without_a_limit_above_zero_there_is_no_mean(self) -> None:
        told = judge_bands([band(1, kN(5.0, a=1.0), limit_kN=0.0)])
        assert (told.verdict, told.margin) == (Verdict.MEETS, None)


class TestNothingJudged:
    def test_no_test_section_at_a_specified_speed(self) -> None:
        told = judge_bands([band(1, None)])
        assert told.verdict is Verdict.NOT_TESTED
        assert told.reasons == ("no test section lies at a specified speed",)

    def test_the_four_commonest_reasons_over_all_bands(self) -> None:
        one = (("a", 1), ("b", 2), ("c", 3), ("d", 4), ("e", 5))
        told = judge_bands([band(1, None, refusals=one), band(2, None, refusals=(("a", 9),))])
        assert told.verdict is Verdict.REFUSED
        assert told.reasons[:4] == (
            "a (10 test sections)", "e (5 test sections)", "d (4 test sections)",
            "c (3 test sections)",
        )  # fmt: skip
        assert len(told.reasons) == 4


class TestUntested:
    def ranges(self, *ridden: tuple[float, float]) -> list[tuple[float, float]]:
        return untested([band(1, kN(1.0, a=1.0), ridden=ridden)], PROMISE)

    def test_what_lies_between_what_was_ridden(self) -> None:
        assert self.ranges((7.0, 9.0), (12.0, 15.0)) == [(5.0, 7.0), (9.0, 12.0), (15.0, 20.0)]

    def test_less_than_a_metre_a_second_is_not_missed(self) -> None:
        assert self.ranges((5.9, 12.0), (12.9, 19.1)) == []
        assert self.ranges((6.1, 12.0), (13.1, 18.9)) == [
            (5.0, 6.1),
            (12.0, 13.1),
            (18.9, 20.0),
        ]

    def test_what_is_ridden_within_what_was_ridden_uncovers_nothing(self) -> None:
        assert self.ranges((5.0, 18.0), (6.0, 7.0)) == [(18.0, 20.0)]

    def test_above_the_specified_speeds_nothing_is_asked(self) -> None:
        assert self.ranges((5.0, 15.0), (22.0, 25.0)) == [(15.0, 20.0)]
        assert self.ranges((4.0, 30.0)) == []

    def test_what_was_refused_was_not_tested(self) -> None:
        refused = band(1, None, ridden=((5.0, 20.0),), refusals=(("brake", 1),))
        assert untested([refused], PROMISE) == [(5.0, 20.0)]
        assert untested([], PROMISE) == [(5.0, 20.0)]

    def test_without_specified_speeds_none_is_missed(self) -> None:
        assert untested([], STARTING_ALONE) == []


class TestAll:
    def test_without_a_specification_there_is_no_verdict(self) -> None:
        told = judge_all(bands(3.0), None, None)
        assert told.verdict is Verdict.NO_SPECIFICATION
        assert told.reasons == ("the trip sheet states none",)

    @pytest.mark.parametrize(
        ("starting", "verdict", "words"),
        [
            (kN(300.0, a=1.0), Verdict.MEETS, "starting pull: meets"),
            (kN(200.0, a=1.0), Verdict.CANNOT_TELL, "starting pull: not shown by these starts"),
        ],
    )
    def test_where_a_starting_pull_alone_is_specified_it_decides(
        self, starting: Measured, verdict: Verdict, words: str
    ) -> None:
        told = judge_all(bands(3.0), starting, STARTING_ALONE)
        assert (told.verdict, told.reasons) == (verdict, (words,))

    def test_the_answer_tells_which_specified_speeds_were_not_ridden(self) -> None:
        """From 5 to 20 m/s is 18 to 72 km/h."""
        held = [band(2, kN(9.0, a=1.0), ridden=((7.5, 10.0), (15.0, 21.0)))]
        told = judge_all(held, None, PROMISE)
        assert told.verdict is Verdict.MEETS
        assert told.reasons == (
            "every band judged meets", "specified but not tested: 18-27 km/h and 36-54 km/h",
        )  # fmt: skip


def test_counts_are_no_kilonewtons_and_have_no_verdict() -> None:
    met, none = Overall(verdict=Verdict.MEETS), Overall(verdict=Verdict.NO_SPECIFICATION)
    assert in_view_of_counts(met, ()) is met
    assert in_view_of_counts(none, ("pull is in counts",)) is none
    told = in_view_of_counts(met, ("pull is in counts",))
    assert (told.verdict, told.reasons) == (Verdict.NOT_MEASURED, ("pull is in counts",))
