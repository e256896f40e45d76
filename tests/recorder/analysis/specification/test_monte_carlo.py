"""Monte Carlo of the same model: it agrees with the propagation, and tells when that is wrong."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from calibration.quantities.constants import G_M_S2
from recorder.analysis.series.corrections import Switches
from recorder.analysis.series.train import Assumed, TrialTrain, Vehicles
from recorder.analysis.specification.bands import weight_of
from recorder.analysis.specification.monte_carlo import (
    Simulated,
    StretchInputs,
    simulate_margin,
    stretch_inputs,
)
from recorder.analysis.stretches.cutting import cut_run
from recorder.analysis.stretches.specification import Specification
from recorder.analysis.stretches.stretch import Stretch
from recorder.analysis.stretches.stretch_results import StretchResult, measure_stretches
from recorder.analysis.uncertainty.causes import CauseKind, Extent, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured, pooled
from recorder.analysis.uncertainty.run_basis import RunBasis
from recorder.analysis.uncertainty.stretch_means import ACCELERATION_WINDOW_S
from tests.recorder.analysis.admission.trials import SPECIFICATION, SPEEDS
from tests.recorder.analysis.drawn_runs import (
    INSTRUMENTS,
    basis,
    cause,
    drawn,
    drawn_run,
    make_outing,
)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_both_give_the_same_interval_and_a_wrong_one_is_told(seed: int) -> None:
    assert len(SPEEDS) == len(SPECIFICATION.speed_m_s)
    run = make_outing(seed).run
    results = [
        r for r in measure_stretches(run, cut_run(run.series, ()), SPECIFICATION)
        if r.margin is not None and np.isfinite(r.margin.u)
    ]  # fmt: skip
    weights = [weight_of(r) for r in results]
    inputs = [stretch_inputs(run, r, w) for r, w in zip(results, weights, strict=True)]
    held = pooled([r.margin for r in results if r.margin is not None], weights)
    found = simulate_margin(inputs, run, SPECIFICATION)
    assert found is not None
    assert found.agrees_with(held)
    half = replace(held, parts={c: 0.5 * p for c, p in held.parts.items()})
    assert not found.agrees_with(half)
    assert not found.agrees_with(held.shifted(held.expanded))


FLAT = Specification(name="promise", speed_m_s=(5.0, 20.0), pull_kN=(90.0, 90.0))
EXACT = Assumed(mass_rel=0.0, rotary=0.0, grade=0.0, curve_rel=0.0)
AT_250_M = 100.0 * G_M_S2 * 698.55 / 250.0 / 1000.0
"""Curve resistance, kN, of 100 t on 250 m of radius: 698.55 N for each kN over the radius."""


def ridden(*, wheel: float = 0.0, zero: float = 0.0, **assumed: float) -> RunBasis:
    """A run behind 100 t in which nothing is uncertain but what is given."""
    train = TrialTrain(
        locomotive=Vehicles(mass_t=100.0, rotary=0.05), assumed=replace(EXACT, **assumed)
    )
    run = drawn_run(drawn(np.full(100, 10.0), np.full(100, 100.0)), train=train)
    exact = replace(INSTRUMENTS, wheel_rel_u=wheel, zero_u_kN=zero)
    return replace(run, instruments=exact)


def inputs(**changes: object) -> StretchInputs:
    """A pull of 100 kN at 10 m/s, on the level, straight and steady."""
    fields: dict[str, object] = {
        "pull_kN": 100.0, "own": {}, "dof": {}, "calibration_kN": {}, "grade": 0.0,
        "curvature_per_m": 0.0, "acceleration_m_s2": 0.0, "u_acceleration_m_s2": 0.0,
        "speed_m_s": 10.0, "weight": 1.0,
    }  # fmt: skip
    return StretchInputs(**{**fields, **changes})  # type: ignore[arg-type]  # by name


def simulated(
    *stretches: StretchInputs, run: RunBasis | None = None, promise: Specification = FLAT
) -> Simulated:
    found = simulate_margin(stretches, run or ridden(), promise)
    assert found is not None
    return found


class TestOneInputAtATime:
    """Each against what its own law makes of it, worked by hand."""

    @pytest.mark.parametrize(
        ("changes", "added_kN"),
        [
            ({}, 0.0),
            ({"grade": 0.01}, 100.0 * G_M_S2 * 0.01),
            ({"curvature_per_m": 1.0 / 250.0}, AT_250_M),
            ({"acceleration_m_s2": 0.05}, 100.0 * 1.05 * 0.05),
        ],
    )
    def test_what_the_locomotive_gave_beside_the_pull(
        self, changes: dict[str, float], added_kN: float
    ) -> None:
        found = simulated(inputs(**changes))
        assert found.mean_kN == pytest.approx(10.0 + added_kN, rel=1e-6)
        assert found.u_kN == pytest.approx(0.0, abs=1e-9)

    @pytest.mark.parametrize(
        ("changes", "uncertain", "u_kN"),
        [
            ({}, {"zero": 0.3}, 0.3),
            ({}, {"grade": 0.0002}, 100.0 * G_M_S2 * 0.0002),
            ({}, {"grade_common": 0.0003}, 100.0 * G_M_S2 * 0.0003),
            ({"curvature_per_m": 1.0 / 250.0}, {"curve_rel": 0.25}, 0.25 * AT_250_M),
            ({"acceleration_m_s2": 0.05}, {"wheel": 0.01}, 0.01 * 5.25),
            ({"acceleration_m_s2": 0.05}, {"rotary": 0.02}, 100.0 * 0.02 * 0.05),
            ({"grade": 0.01}, {"mass_rel": 0.02}, 0.02 * 100.0 * G_M_S2 * 0.01),
            ({"u_acceleration_m_s2": 0.002}, {}, 0.002 * 105.0),
            ({"own": {cause("own"): 0.7}}, {}, 0.7),
            ({"calibration_kN": {INSTRUMENTS.pull_cause: 0.2}}, {}, 0.2),
        ],
    )
    def test_what_makes_it_uncertain(
        self, changes: dict[str, object], uncertain: dict[str, float], u_kN: float
    ) -> None:
        """Of 20,000 draws the deviation is known to half a per cent: six of them."""
        assert simulated(inputs(**changes), run=ridden(**uncertain)).u_kN == pytest.approx(
            u_kN, rel=0.03
        )

    def test_a_wheel_that_errs_moves_the_limit(self) -> None:
        """The promise falls by 10 kN from m/s to m/s: 1 % of 10 m/s is 1 kN."""
        steep = Specification(name="steep", speed_m_s=(5.0, 15.0), pull_kN=(140.0, 40.0))
        assert simulated(inputs(), run=ridden(wheel=0.01), promise=steep).u_kN == pytest.approx(
            1.0, rel=0.03
        )

    def test_one_error_of_the_wheel_moves_acceleration_and_limit_together(self) -> None:
        """100 t · 1.05 · 0.2 m/s² is 21 kN: 1 % of 21 + 100 kN."""
        steep = Specification(name="steep", speed_m_s=(5.0, 15.0), pull_kN=(140.0, 40.0))
        held = inputs(acceleration_m_s2=0.2)
        found = simulated(held, run=ridden(wheel=0.01), promise=steep)
        assert found.u_kN == pytest.approx(1.21, rel=0.03)

    @pytest.mark.parametrize(("names", "u_kN"), [(("a", "a"), 2.0), (("a", "b"), 2.0**0.5)])
    def test_what_two_stretches_share_does_not_average_out(
        self, names: tuple[str, str], u_kN: float
    ) -> None:
        held = [inputs(own={cause(name): 2.0}) for name in names]
        assert simulated(*held).u_kN == pytest.approx(u_kN, rel=0.03)

    def test_a_heavier_stretch_counts_for_more(self) -> None:
        held = [inputs(pull_kN=100.0, weight=3.0), inputs(pull_kN=120.0, weight=1.0)]
        assert simulated(*held).mean_kN == pytest.approx(15.0, rel=1e-6)

    def test_of_few_degrees_of_freedom_the_deviation_is_wider(self) -> None:
        """Student's t with 8: a variance of 8 / 6."""
        own = cause("own")
        found = simulated(inputs(own={own: 1.0}, dof={own: 8.0}))
        assert found.u_kN == pytest.approx((8.0 / 6.0) ** 0.5, rel=0.04)

    def test_without_a_mass_or_a_specified_speed_there_is_nothing_to_draw(self) -> None:
        massless = drawn_run(drawn(np.full(9, 10.0), np.full(9, 100.0)))
        assert simulate_margin([inputs()], massless, FLAT) is None
        assert simulate_margin([inputs(speed_m_s=30.0)], ridden(), FLAT) is None


@pytest.mark.parametrize("on", [True, False])
def test_what_is_not_corrected_is_not_drawn(on: bool) -> None:
    """Twenty seconds at 0.05 m/s², on 1 % and 250 m of radius; and what was ridden decides."""
    t = np.arange(200) * 0.1
    series = replace(
        drawn(8.0 + 0.05 * t, np.full(200, 100.0)),
        locomotive_grade=np.full(200, 0.01),
        locomotive_curvature_per_m=np.full(200, -1.0 / 250.0),
        u_acceleration_m_s2=0.01,
    )
    train = TrialTrain(locomotive=Vehicles(mass_t=100.0))
    switches = Switches(grade=on, curve=on, acceleration=on)
    run = basis("run", series, train, INSTRUMENTS, switches=switches)
    own = UncertaintyCause(CauseKind.RANDOM, extent=Extent("run", "all"))
    pull = Measured(100.0, "kN", {own: 0.5, cause("shared"): 3.0}, {own: 7.0})
    held = StretchResult(
        extent=Extent("run", "all"),
        stretch=Stretch(start=0, stop=200, t_start_s=0.0, t_end_s=20.0),
        speed=Measured(8.5, "m/s"), pull=pull, power=pull, margin=None,
    )  # fmt: skip
    found = stretch_inputs(run, held, 2.0)
    assert found.grade == pytest.approx(0.01 * on)
    assert found.curvature_per_m == pytest.approx(on / 250.0)
    assert found.acceleration_m_s2 == pytest.approx(0.05 * on)
    assert found.u_acceleration_m_s2 == pytest.approx(0.01 * ACCELERATION_WINDOW_S / 20.0)
    assert (dict(found.own), dict(found.dof), found.weight) == ({own: 0.5}, {own: 7.0}, 2.0)
    short = replace(held, stretch=replace(held.stretch, stop=5, t_end_s=0.5))
    assert stretch_inputs(run, short, 2.0).u_acceleration_m_s2 == 0.01
