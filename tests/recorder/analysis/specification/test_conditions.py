"""Unlike runs are not pooled unsaid: Cochran's Q, and what is said when they differ."""

from __future__ import annotations

import numpy as np
import pytest

from recorder.analysis.specification.bands import speed_bands
from recorder.analysis.specification.conditions import conditions_of, in_view_of_conditions
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


@pytest.mark.slow
def test_alike_runs_are_told_apart_one_time_in_a_hundred() -> None:
    """A shared calibration error of four times the scatter must not make them differ."""
    apart = sum(
        conditions_of(campaign(DRY, seed=s), 3.0).homogeneity.agree is False for s in range(400)
    )
    # 1 % of 400 is 4; three standard deviations more is 10.
    assert apart <= 10
