"""What tells stretches apart in a speed band, and what all of them share."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from recorder.analysis.specification.bands import speed_bands
from recorder.analysis.specification.overall import judge_bands
from recorder.analysis.specification.verdicts import Verdict
from recorder.analysis.stretches.admission_record import Admission, Criterion, CriterionKind
from recorder.analysis.stretches.specification import Specification
from recorder.analysis.stretches.stretch import Stretch
from recorder.analysis.stretches.stretch_results import StretchResult
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured


def result(start_s: float, pull_kN: float, own_kN: float, certificate: str) -> StretchResult:
    stretch = Stretch(start=0, stop=30, t_start_s=start_s, t_end_s=start_s + 30.0)
    extent = Extent("evening", stretch.name)
    parts = {
        UncertaintyCause(CauseKind.RANDOM, extent=extent): own_kN,
        UncertaintyCause(CauseKind.CERTIFICATE, certificate): 5.0,
    }
    pull = Measured(pull_kN, "kN", parts)
    speed = Measured(12.0, "m/s")
    return StretchResult(
        extent=extent,
        stretch=stretch,
        speed=speed,
        pull=pull,
        power=pull.times(speed, "kW"),
        margin=pull.minus(Measured(90.0, "kN")),
    )


@pytest.mark.parametrize(
    "certificate", ["C-7", "0.0-30.0 s", "evening 0.0-30.0 s", "C-7 evening 0.0-30.0 s"]
)
def test_a_certificate_that_ends_like_a_stretch_weighs_as_any_other(certificate: str) -> None:
    # Weights 1/u² by what is the stretch's own (weighted mean, from memory): 1 and 1/4.
    (band,) = speed_bands(
        [result(0.0, 100.0, 1.0, certificate), result(60.0, 102.0, 2.0, certificate)], 5.0
    )
    assert band.pull.value == pytest.approx((100.0 + 102.0 / 4.0) / 1.25, rel=1e-9)


def unjudged(
    *speeds_m_s: tuple[float, float], reasons: tuple[CriterionKind, ...] = ()
) -> list[StretchResult]:
    """Stretches without a margin, refused for so many reasons each, and ridden between speeds."""
    refused = Admission(
        criteria=tuple(
            Criterion(kind=kind, value="", limit="", passed=False, reason=kind.value)
            for kind in reasons
        )
    )
    held = result(0.0, 100.0, 1.0, "C-7")
    return [
        replace(
            held, margin=None, admission=refused, ridden_m_s=(low, high),
            speed=Measured((low + high) / 2.0, "m/s"),
        )
        for low, high in speeds_m_s
    ]  # fmt: skip


class TestSpecified:
    """A promise from 15 to 65 km/h, in bands of 10."""

    SPECIFICATION = Specification(
        name="promise", speed_m_s=(15 / 3.6, 65 / 3.6), pull_kN=(184.0, 76.0)
    )

    def verdict(self, *km_h: float) -> Verdict:
        held = unjudged((km_h[0] / 3.6, km_h[1] / 3.6), reasons=(CriterionKind.SPECIFIED,))
        (band,) = speed_bands(held, 10 / 3.6, self.SPECIFICATION)
        return band.verdict

    @pytest.mark.parametrize("km_h", [(11.0, 14.0), (14.0, 16.0), (64.0, 66.0), (66.0, 68.0)])
    def test_a_band_that_the_promise_reaches_into_was_not_tested(
        self, km_h: tuple[float, float]
    ) -> None:
        assert self.verdict(*km_h) is Verdict.NOT_TESTED

    @pytest.mark.parametrize("km_h", [(1.0, 9.0), (71.0, 72.0)])
    def test_a_band_beside_it_is_not_specified(self, km_h: tuple[float, float]) -> None:
        assert self.verdict(*km_h) is Verdict.NOT_SPECIFIED

    def test_a_band_that_only_touches_it_is_not_specified(self) -> None:
        """Above its last point, from 20 m/s on; and its last point is not its second."""
        told = replace(self.SPECIFICATION, speed_m_s=(5.0, 10.0, 20.0), pull_kN=(9.0, 8.0, 7.0))
        for ridden, word in (
            ((20.5, 21.0), Verdict.NOT_SPECIFIED),
            ((19.0, 20.5), Verdict.NOT_TESTED),
            ((1.0, 2.0), Verdict.NOT_SPECIFIED),
        ):
            (band,) = speed_bands(unjudged(ridden), 5.0, told)
            assert band.verdict is word

    @pytest.mark.parametrize("width", [0.0, -1.0, math.nan])
    def test_a_width_that_is_none_is_refused(self, width: float) -> None:
        with pytest.raises(ValueError, match="band width must be above zero"):
            speed_bands([], width)

    def test_within_it_what_has_no_margin_was_refused(self) -> None:
        """Its pull is not known: the speed was specified all the same."""
        assert self.verdict(22.0, 24.0) is Verdict.REFUSED

    def test_without_a_promise_nothing_is_specified(self) -> None:
        (band,) = speed_bands(unjudged((3.0, 4.0)), 5.0)
        assert band.verdict is Verdict.NOT_SPECIFIED


def scatter_of(found: Measured) -> list[tuple[float, float]]:
    """What the scatter between stretches adds, with its degrees of freedom."""
    held = {c: u for c, u in found.parts.items() if c.kind is CauseKind.SCATTER}
    return [(abs(u), found.dof[c]) for c, u in held.items()]


class TestScatter:
    """What stretches scatter beyond their own uncertainty (Birge's ratio, from memory)."""

    def test_two_stretches_by_hand(self) -> None:
        """100 and 110, own 1 each: the mean of two that scatter by 10 / √2 is worth 5 in all;
        their own part of it is 1 / √2, so that 25 - 0.5 is beyond."""
        (band,) = speed_bands(
            [result(0.0, 100.0, 1.0, "C"), result(60.0, 110.0, 1.0, "C")], 5.0
        )
        assert band.margin is not None
        for found, unit in ((band.margin, 1.0), (band.pull, 1.0), (band.power, 12.0)):
            ((u, dof),) = scatter_of(found)
            assert u == pytest.approx(unit * 24.5**0.5)
            assert dof == 1

    def test_stretches_that_agree_add_nothing(self) -> None:
        (band,) = speed_bands(
            [result(0.0, 100.0, 1.0, "C"), result(60.0, 100.5, 1.0, "C")], 5.0
        )
        assert band.margin is not None
        assert scatter_of(band.margin) == scatter_of(band.pull) == []

    def test_one_stretch_has_none(self) -> None:
        (band,) = speed_bands([result(0.0, 100.0, 1.0, "C")], 5.0)
        assert scatter_of(band.pull) == []

    @pytest.mark.parametrize(("count", "beyond"), [(4, [2.75**0.5]), (3, [])])
    def test_without_a_specification_the_fall_with_speed_is_no_scatter(
        self, count: int, beyond: list[float]
    ) -> None:
        """3, -3, -3, 3 about a line: 36 over 3 degrees of freedom over 4, less own 1 / 4. Three
        stretches show no line."""
        held = [
            replace(
                result(60.0 * i, 100.0 - 8.0 * i + aside, 1.0, "C"),
                margin=None,
                speed=Measured(11.0 + 0.5 * i, "m/s"),
            )
            for i, aside in enumerate((3.0, -3.0, -3.0, 3.0)[:count])
        ]
        (band,) = speed_bands(held, 5.0)
        assert [u for u, _ in scatter_of(band.pull)] == pytest.approx(beyond)

    def test_at_one_speed_there_is_no_line(self) -> None:
        held = [replace(result(60.0 * i, 90.0 + i, 0.1, "C"), margin=None) for i in range(4)]
        (band,) = speed_bands(held, 5.0)
        assert scatter_of(band.pull) == []


class TestWhatABandShows:
    def test_the_limit_is_weighted_as_the_margins_are(self) -> None:
        """Weights 1 and 1/4: (90 + 95 / 4) / 1.25."""
        held = [
            replace(result(0.0, 100.0, 1.0, "C"), limit_kN=90.0),
            replace(result(60.0, 102.0, 2.0, "C"), limit_kN=95.0),
        ]
        (band,) = speed_bands(held, 5.0)
        assert band.limit_kN == pytest.approx(91.0)

    def test_what_is_admitted_goes_before_what_is_refused(self) -> None:
        (refused,) = unjudged((11.0, 13.0), reasons=(CriterionKind.CONFIRMED,))
        admitted = replace(result(60.0, 150.0, 1.0, "C"), margin=None)
        (band,) = speed_bands([refused, admitted], 5.0)
        assert (band.pull.value, band.stretches, band.refused) == (150.0, 1, 2)

    def test_what_is_not_known_hides_nothing_that_is(self) -> None:
        (refused,) = unjudged((11.0, 13.0), reasons=(CriterionKind.CONFIRMED,))
        unknown = replace(refused, pull=Measured(float("nan"), "kN"))
        (band,) = speed_bands([refused, unknown], 5.0)
        assert (band.pull.value, band.stretches) == (100.0, 1)
        (band,) = speed_bands([unknown, unknown], 5.0)
        assert math.isnan(band.pull.value)

    def test_its_name_is_in_whole_kilometres_an_hour(self) -> None:
        (band,) = speed_bands([result(0.0, 100.0, 1.0, "C")], 10.0 / 3.6)
        assert band.name == "40-50 km/h"

    @pytest.mark.parametrize(
        ("reasons", "words"),
        [
            (2, "cannot be told: refused because {0} (1); {1} (1)"),
            (3, "cannot be told: refused because {0} (1); {1} (1); and 1 more reason"),
            (4, "cannot be told: refused because {0} (1); {1} (1); and 2 more reasons"),
        ],
    )
    def test_the_two_commonest_reasons_are_told(self, reasons: int, words: str) -> None:
        kinds = tuple(CriterionKind)[:reasons]
        (band,) = speed_bands(
            unjudged((6.0, 7.0), reasons=kinds), 10.0, TestSpecified.SPECIFICATION
        )
        assert band.in_words == words.format(*(kind.value for kind in kinds))

    def test_a_band_beside_the_ridden_speeds_says_so(self) -> None:
        (band,) = speed_bands(unjudged((3.9, 4.0)), 10.0, TestSpecified.SPECIFICATION)
        assert band.in_words.endswith(" at those of its speeds that are specified")
        (band,) = speed_bands([result(0.0, 500.0, 1.0, "C")], 5.0)
        assert band.in_words == Verdict.MEETS.value


@pytest.mark.parametrize("several", [False, True])
def test_what_is_counted_under_several_reasons_says_so(several: bool) -> None:
    one, other = CriterionKind.CONFIRMED, CriterionKind.SPEED_LIMIT
    held = unjudged((6.0, 7.0), (7.0, 8.0), reasons=(one, other) if several else (one,))
    bands = speed_bands(held, 10.0, TestSpecified.SPECIFICATION)
    assert bands[0].refused_twice is several
    told = judge_bands(bands)
    assert told.verdict is Verdict.REFUSED
    assert ("2 test sections in all, some for several reasons" in told.reasons) is several
