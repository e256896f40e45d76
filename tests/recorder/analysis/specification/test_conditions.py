"""Unlike runs are not pooled unsaid: Cochran's Q, and what is said when they differ."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from recorder.analysis.specification.bands import speed_bands
from recorder.analysis.specification.conditions import (
    Homogeneity,
    conditions_of,
    in_view_of_conditions,
)
from recorder.analysis.specification.overall import judge_bands
from recorder.analysis.specification.verdicts import Verdict
from recorder.analysis.stretches.admission_record import Admission, Criterion, CriterionKind
from recorder.analysis.stretches.stretch import Stretch
from recorder.analysis.stretches.stretch_results import StretchResult
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured

SHARED = UncertaintyCause(CauseKind.CERTIFICATE, "C-1")
LIMIT_KN = 100.0


def result(run: str, rail: str, margin_kN: float, k: int, u_kN: float = 0.5) -> StretchResult:
    extent = Extent(run, f"stretch {k}")
    own = UncertaintyCause(CauseKind.RANDOM, extent=extent)
    margin = Measured(margin_kN, "kN", {own: u_kN, SHARED: 2.0})
    pull, speed = margin.shifted(LIMIT_KN), Measured(12.0, "m/s")
    found = Criterion(kind=CriterionKind.RAIL, value=rail, limit="any", passed=True)
    return StretchResult(
        extent=extent,
        stretch=Stretch(start=0, stop=60, t_start_s=60.0 * k, t_end_s=60.0 * k + 60.0),
        speed=speed,
        pull=pull,
        power=pull.times(speed, "kW"),
        margin=margin,
        limit_kN=LIMIT_KN,
        ridden_m_s=(11.5, 12.5),
        admission=Admission(criteria=(found,)),
    )


def campaign(shifts: dict[str, tuple[str, float]], seed: int = 1) -> list[StretchResult]:
    """Runs by name: rail, and true margin; a common calibration error moves all alike."""
    rng = np.random.default_rng(seed)
    common = rng.normal(0.0, 2.0)
    return [
        result(run, rail, true + common + rng.normal(0.0, 0.5), k)
        for run, (rail, true) in shifts.items()
        for k in range(6)
    ]


def verdict(results: list[StretchResult]) -> Verdict:
    overall = judge_bands(speed_bands(results, 3.0))
    return in_view_of_conditions(overall, conditions_of(results, 3.0)).verdict


DRY = {f"dry {k}": ("dry", 0.5) for k in range(4)}


def test_two_wet_runs_ten_per_cent_below_do_not_condemn_four_dry_ones() -> None:
    results = campaign({**DRY, "wet 1": ("wet", -10.0), "wet 2": ("wet", -10.0)})
    found = conditions_of(results, 3.0)
    assert found.homogeneity.agree is False
    assert {p.value for p in found.by_rail} == {"dry", "wet"}
    wet = next(p for p in found.by_rail if p.value == "wet")
    assert wet.overall.verdict is Verdict.DOES_NOT_MEET
    assert verdict(results) is Verdict.DISAGREE


def test_runs_that_differ_without_a_known_condition_are_told_too() -> None:
    results = campaign({**DRY, "odd": ("dry", -10.0)})
    assert verdict(results) is Verdict.DISAGREE


def test_runs_that_all_fail_by_themselves_fail_though_they_differ() -> None:
    results = campaign({"one": ("dry", -9.0), "two": ("wet", -20.0)})
    assert verdict(results) is Verdict.DOES_NOT_MEET


def test_one_run_under_one_condition_is_not_parted() -> None:
    found = conditions_of(campaign({"one": ("dry", 0.0)}), 3.0)
    assert not found.parted
    assert found.homogeneity.agree is None


class TestCochran:
    """``Q = Σ w (d - d̄)²`` for what is not shared, over k - 1 degrees of freedom (from memory)."""

    def test_two_runs_by_hand(self) -> None:
        """1 apart, 0.5 each of their own: 1² / (2 · 0.5²) = 2; what both share does not count."""
        found = conditions_of([result("a", "dry", 0.0, 1), result("b", "dry", 1.0, 2)], 3.0)
        chance = stats.chi2.sf(2.0, 1)
        assert found.homogeneity.probability == pytest.approx(chance, rel=1e-3)
        assert (found.homogeneity.agree, found.homogeneity.bands) == (True, 1)
        assert found.homogeneity.cells == ("a, rail dry", "b, rail dry")

    def test_three_runs_of_unlike_worth(self) -> None:
        """0, 1, 3 with weights 4, 4, 1: mean 7 / 9."""
        told = (("a", 0.0, 0.5), ("b", 1.0, 0.5), ("c", 3.0, 1.0))
        held = [result(n, "dry", d, k, u_kN=u) for k, (n, d, u) in enumerate(told)]
        q = sum((d - 7.0 / 9.0) ** 2 / u**2 for _, d, u in told)
        found = conditions_of(held, 3.0).homogeneity
        assert found.probability == pytest.approx(stats.chi2.sf(q, 2), rel=1e-3)

    @pytest.mark.parametrize(("apart_kN", "times"), [(1.5, 2.0), (0.0, None)])
    def test_the_least_of_two_bands_counts_twice(
        self, apart_kN: float, times: float | None
    ) -> None:
        """Bonferroni; never above one."""
        held = [
            result(run, "dry", shift, k)
            for k, (run, shift) in enumerate((("a", 0.0), ("b", apart_kN)))
        ]
        faster = [replace(r, speed=Measured(16.0, "m/s")) for r in (
            result("a", "dry", 0.0, 2), result("b", "dry", 0.0, 3),
        )]  # fmt: skip
        found = conditions_of([*held, *faster], 3.0).homogeneity
        expected = 1.0 if times is None else times * stats.chi2.sf(2.0 * apart_kN**2, 1)
        assert found.probability == pytest.approx(expected, rel=1e-3)
        assert found.bands == 2

    def test_shares_of_the_limit_are_compared_not_kilonewtons(self) -> None:
        half = result("b", "dry", 5.0, 2)
        held = [result("a", "dry", 10.0, 1), replace(half, limit_kN=LIMIT_KN / 2.0)]
        assert conditions_of(held, 3.0).homogeneity.probability == pytest.approx(1.0)

    def test_what_has_no_uncertainty_known_or_no_limit_is_not_compared(self) -> None:
        sure = result("a", "dry", 0.0, 1)
        for odd in (
            result("b", "dry", 0.0, 2, u_kN=float("nan")),
            replace(result("b", "dry", 0.0, 2), limit_kN=0.0),
        ):
            found = conditions_of([sure, odd], 3.0).homogeneity
            assert (found.agree, found.bands) == (None, 0)

    def test_few_degrees_of_freedom_make_it_less_sure(self) -> None:
        """Against Fisher's F with 1 and 4 degrees of freedom; the shared part is not in play."""
        held = []
        for k, run in enumerate(("a", "b")):
            made = result(run, "dry", float(k), k)
            assert made.margin is not None
            own = {c: u for c, u in made.margin.parts.items() if c != SHARED}
            few = Measured(made.margin.value, "kN", own, dict.fromkeys(own, 4.0))
            held.append(replace(made, margin=few))
        found = conditions_of(held, 3.0).homogeneity
        assert found.probability == pytest.approx(stats.f.sf(2.0, 1, 4), rel=1e-3)


@pytest.mark.parametrize(
    ("probability", "agree", "words"),
    [
        (
            0.00002,
            False,
            "the runs do not agree (probability of such a difference by chance below 0.0001)",
        ),
        (0.25, True, "the runs agree (probability of such a difference by chance 0.25)"),
    ],
)
def test_what_is_said_of_it(probability: float, agree: bool, words: str) -> None:
    found = Homogeneity(agree=agree, probability=probability, bands=1, cells=())
    assert found.in_words == words


def test_one_run_on_two_rails_is_parted_and_each_part_holds_its_own() -> None:
    found = conditions_of(
        campaign({"one": ("dry", 9.0)}) + campaign({"two": ("dry", -9.0)}), 3.0
    )
    assert [(p.value, p.stretches, p.runs) for p in found.by_run] == [
        ("one", 6, ("one",)), ("two", 6, ("two",)),
    ]  # fmt: skip
    words = [p.overall.verdict for p in found.by_run]
    assert words == [Verdict.MEETS, Verdict.DOES_NOT_MEET]
    rails = [result("one", "dry", 0.0, 1), result("one", "wet", 0.0, 2)]
    assert conditions_of(rails, 3.0).parted


def test_where_one_rail_alone_was_ridden_the_runs_are_told_apart() -> None:
    results = campaign({**DRY, "odd": ("dry", -10.0)})
    overall = judge_bands(speed_bands(results, 3.0))
    told = in_view_of_conditions(overall, conditions_of(results, 3.0))
    assert f"run odd: {Verdict.DOES_NOT_MEET}" in told.reasons
    assert not any(reason.startswith("rail") for reason in told.reasons)


@pytest.mark.slow
def test_alike_runs_are_told_apart_one_time_in_a_hundred() -> None:
    """A shared calibration error of four times the scatter must not make them differ."""
    apart = sum(
        conditions_of(campaign(DRY, seed=s), 3.0).homogeneity.agree is False for s in range(400)
    )
    # 1 % of 400 is 4; three standard deviations more is 10.
    assert apart <= 10
