from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from calibration.evaluation.element_figures import friction
from calibration.evaluation.evaluation import SenseEvaluation, evaluate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.bench_tables import iso_csv

HEAD = "series,direction,applied_kN,reading\n"


def both_ways(reading_of: dict[str, Callable[[float], float]]) -> str:
    """Three series rising and falling; ``reading_of`` maps direction to a function of force."""
    lines = []
    for s in range(3):
        lines.append(f"{s},up,0,0")
        for word, forces in (("up", range(10, 201, 10)), ("down", range(190, 9, -10))):
            lines += [f"{s},{word},{f},{reading_of[word](f):.4f}" for f in forces]
        lines.append(f"{s},down,0,0")
    return HEAD + "\n".join(lines) + "\n"


def first(text: str, **stated: object) -> SenseEvaluation:
    return evaluate(parse_readings(text), BenchSettings.from_document(stated)).senses[0]


def test_capsule_gives_back_its_piston_area_and_friction() -> None:
    """Made: 0.02 m² piston, 500 Pa per reading, friction 0.4 kN + 0.5 % of force."""
    area, pascal = 0.02, 500.0

    def reading(force: float, sign: float) -> float:
        # Friction holds the piston back: it carries that much less of a rising force.
        return (force - sign * (0.4 + 0.005 * force)) * 1000.0 / area / pascal

    part = first(
        both_ways({"up": lambda f: reading(f, 1.0), "down": lambda f: reading(f, -1.0)}),
        element="capsule", transmitter_Pa_per_reading=pascal, degree=1,
    )  # fmt: skip
    found = part.figure("effective_area")
    assert found.unit == "m2"
    assert found.value == pytest.approx(area, rel=2e-3)
    assert part.figure("friction_constant").value == pytest.approx(0.4, rel=0.05)
    assert part.figure("friction_proportional").value == pytest.approx(0.005, rel=0.1)
    assert part.figure("diaphragm_term").value is None
    friction_line = next(c for c in part.budget.components if c.name == "reversibility")
    assert friction_line.standard is not None
    assert friction_line.standard[0] == pytest.approx(friction_line.standard[10])


def test_capsule_diaphragm_term_is_the_bend_of_the_curve() -> None:
    # Force = 1e-2 d + 1e-8 d²; at full scale d = 20 000: 4 of 204 kN.
    text = "applied_kN,reading\n0,0\n" + "".join(
        f"{0.01 * d + 1e-8 * d * d:.6f},{d}\n" for d in range(1000, 20_001, 1000)
    )
    part = first(text, element="capsule", degree=2)
    assert part.figure("diaphragm_term").value == pytest.approx(100 * 4 / 204, rel=1e-4)
    assert "not stated" in part.figure("effective_area").reason


def test_draft_spring_gives_back_rate_and_preload() -> None:
    """Made: 25 kN preload, 4 kN/mm, 0.01 mm per reading."""
    text = "applied_kN,reading\n0,0\n" + "".join(
        f"{f},{(f - 25.0) / 4.0 / 0.01:.3f}\n" for f in range(30, 301, 15)
    )
    evaluation = evaluate(
        parse_readings(text),
        BenchSettings(element="draft spring", transducer_m_per_reading=1e-5, degree=1),
    )
    part = evaluation.senses[0]
    assert part.figure("preload").value == pytest.approx(25.0, rel=1e-6)
    assert any("begins to move at 25 kN" in caution for caution in evaluation.cautions)
    assert part.figure("spring_rate").unit == "kN/mm"


def test_spring_without_preload_gives_its_rate() -> None:
    text = "applied_kN,reading\n0,0\n" + "".join(
        f"{f},{f / 4.0 / 0.01 + (-1) ** (f // 10) * 0.5:.3f}\n" for f in range(10, 301, 10)
    )
    evaluation = evaluate(
        parse_readings(text),
        BenchSettings(element="draft spring", transducer_m_per_reading=1e-5, degree=1),
    )
    assert evaluation.senses[0].figure("spring_rate").value == pytest.approx(4.0, rel=1e-4)
    assert not any("begins to move" in caution for caution in evaluation.cautions)


def test_strain_gauged_coupler_tells_the_force_of_its_shunt() -> None:
    part = first(
        iso_csv(), element="strain-gauged coupler", shunt_deflection=1_600_000.0, degree=1
    )
    assert part.figure("shunt_equivalent_force").value == pytest.approx(200.0, rel=1e-6)
    beyond = first(iso_csv(), element="strain-gauged coupler", shunt_deflection=1e7)
    assert "beyond the calibrated range" in beyond.figure("shunt_equivalent_force").reason
    unsaid = first(iso_csv(), element="strain-gauged coupler")
    assert "no shunt reading" in unsaid.figure("shunt_equivalent_force").reason


def test_friction_says_why_it_cannot_be_found() -> None:
    text = HEAD + "1,up,0,0\n1,up,10,10\n1,up,20,20\n1,up,30,31\n"
    part = first(text, degree=1)
    assert "two rising and two falling" in str(friction(part.loads, part.working))


def test_friction_agrees_with_a_direct_solution() -> None:
    rng = np.random.default_rng(5)
    text = both_ways({
        "up": lambda f: 10 * (f - 0.5) + rng.normal(0, 0.2),
        "down": lambda f: 10 * (f + 0.5) + rng.normal(0, 0.2),
    })  # fmt: skip
    part = first(text, element="capsule", degree=1)
    value = part.figure("friction_constant").value
    error = part.figure("friction_constant").detail["standard_error"]
    assert isinstance(value, float)
    assert abs(value - 0.5) < 4.0 * error + 0.02


@pytest.mark.parametrize(
    "wrong",
    [
        {"element": "rubber band"}, {"capacity_kN": 0.0}, {"reference_U_pct": -1.0},
        {"degree": 6}, {"valid_months": 0}, {"valid_months": 1.5},
        {"room_temperature_C": 500.0},
        {"service_temperature_C": [40.0, -10.0]}, {"service_temperature_C": [1.0]},
        {"issued": "yesterday"}, {"cell": 7}, {"resolution": True}, {"unheard_of": 1},
        {"reference_k": 0.0}, {"transmitter_Pa_per_reading": 0.0},
        {"stability_pct": None, "x": 1},
    ],
)  # fmt: skip
def test_wrong_settings_are_refused_in_one_line(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=next(iter(reversed(wrong)))) as caught:
        BenchSettings.from_document(wrong)
    assert "\n" not in str(caught.value)
