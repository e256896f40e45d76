"""The plan of a bench calibration."""

from __future__ import annotations

import pytest

from calibration.bench.plan import PlanStep, make_plan


def test_the_plan_has_preloads_series_positions_and_zeros() -> None:
    plan = make_plan(capacity_kN=500.0, steps=8, creep=True)
    assert [s.number for s in plan] == list(range(1, len(plan) + 1))
    assert [s.kind for s in plan[:3]] == ["preload"] * 3
    names = list(dict.fromkeys(s.series for s in plan if s.kind in ("step", "zero")))
    assert names == ["X1", "X2", "X3", "X4", "Xcreep"] or names[:4] == ["X1", "X2", "X3", "X4"]
    for name in names[:4]:
        series = [s for s in plan if s.series == name]
        assert series[0].kind == series[-1].kind == "zero"
        up = [s.applied_kN for s in series if s.kind == "step" and s.direction == "up"]
        assert up == [500.0 * i / 8 for i in range(1, 9)]
    assert {s.position_deg for s in plan if s.series in ("X1", "X2")} == {0.0}
    falling = {s.series for s in plan if s.direction == "down" and s.kind == "step"}
    assert falling == {"X3", "X4"}
    assert [s.settle_s for s in plan if s.kind == "creep"] == [30.0, 300.0]


def test_compression_has_a_minus_sign_and_series_of_its_own() -> None:
    plan = make_plan(capacity_kN=500.0, senses=("tension", "compression"), preloads=1)
    forces = [s.applied_kN for s in plan if s.series.startswith("C") and s.kind == "step"]
    assert min(forces) == -500.0
    assert max(forces) < 0.0


@pytest.mark.parametrize(
    "wrong",
    [
        {"capacity_kN": 0.0}, {"capacity_kN": float("nan")}, {"steps": 2}, {"steps": 99},
        {"positions_deg": ()}, {"positions_deg": (0.0, 0.0)}, {"senses": ()},
        {"senses": ("sideways",)}, {"preloads": -1},
    ],
)  # fmt: skip
def test_senseless_plans_are_refused(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=next(iter(wrong))):
        make_plan(**{"capacity_kN": 500.0, **wrong})  # type: ignore[arg-type]  # wrong on purpose


def test_damaged_steps_are_refused() -> None:
    for wrong in (
        {},
        {"number": 1},
        {**make_plan(capacity_kN=9.0)[0].to_document(), "kind": "x"},
    ):
        with pytest.raises(ValueError, match="step of the plan"):
            PlanStep.from_document(wrong)
