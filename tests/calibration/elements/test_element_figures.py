from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from calibration.elements.element_figures import element_figures
from calibration.elements.half_difference import HalfDifference, half_difference
from calibration.evaluation.evaluation import SenseEvaluation, evaluate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.load_series import load_series
from calibration.readings.readings import ReadingsError
from calibration.readings.readings_csv import parse_readings
from calibration.statistics.polynomial_fit import fit_polynomial
from tests.calibration.bench_tables import iso_csv
from tests.calibration.elements.made_elements import MadeElement

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
    friction_line = next(c for c in part.budget.components if c.name == "loop")
    assert friction_line.standard is not None
    # As wide as the friction made: it closes at neither end.
    assert friction_line.standard[[0, 10, 20]] == pytest.approx([0.4, 0.9, 1.4], rel=0.02)


def test_capsule_diaphragm_term_is_the_bend_of_the_curve() -> None:
    """Force = 1e-2 d + 1e-8 d²; at full scale (200 kN) 1e-8 d² is 1.925 %."""

    def reading(force: float) -> float:
        return float((-1e-2 + np.sqrt(1e-4 + 4e-8 * force)) / 2e-8)

    bend = 100.0 * 1e-8 * reading(200.0) ** 2 / 200.0
    part = first(both_ways({"up": reading, "down": reading}), element="capsule", degree=2)
    assert part.figure("diaphragm_term").value == pytest.approx(bend, rel=1e-4)
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
    assert part.figure("shunt_equivalent_force").detail == {"U": None}
    sure = first(
        iso_csv(), element="strain-gauged coupler", shunt_deflection=1_600_000.0, degree=1,
        reference_U_pct=0.02,
    )  # fmt: skip
    budget = sure.budget
    expected = np.interp(200.0, budget.force_kN, budget.expanded_kN)
    U = sure.figure("shunt_equivalent_force").detail["U"]
    assert pytest.approx(expected) == U
    beyond = first(iso_csv(), element="strain-gauged coupler", shunt_deflection=1e7)
    assert "beyond the calibrated range" in beyond.figure("shunt_equivalent_force").reason
    unsaid = first(iso_csv(), element="strain-gauged coupler")
    assert "no shunt reading" in unsaid.figure("shunt_equivalent_force").reason


def test_friction_says_why_it_cannot_be_found() -> None:
    text = HEAD + "1,up,0,0\n1,up,10,10\n1,up,20,20\n1,up,30,31\n"
    part = first(text, element="capsule", transmitter_Pa_per_reading=500.0, degree=1)
    assert "rising and falling" in part.figure("friction_constant").reason
    area = part.figure("effective_area")
    assert isinstance(area.value, float)
    assert "friction is in it" in area.reason


CAPSULE = MadeElement(kN_per_unit=0.02, friction_kN=0.4, friction_share=0.005, noise=3.0)
"""0.02 m² and 1 kPa a reading; friction 0.4 kN and 0.5 %; invented, as a coupler's capsule."""
SPRING = MadeElement(
    kN_per_unit=0.04, friction_kN=1.5, friction_share=0.03, preload_kN=25.0, noise=2.0
)
"""4 kN/mm and 0.01 mm a reading, 25 kN preload, friction of leaves; invented."""


def drawn(
    made: MadeElement, figures: dict[str, float], draws: int, **stated: object
) -> dict[str, tuple[float, int]]:
    """For each figure mean over truth, and how many of the draws hold it in 2 standard errors."""
    settings = BenchSettings.from_document(stated)
    found: dict[str, list[tuple[float, float]]] = {name: [] for name in figures}
    for seed in range(draws):
        readings = parse_readings(made.table(np.random.default_rng([7, seed])))
        loads = load_series(readings, 1)
        line = fit_polynomial(loads.deflection, loads.force, 1)
        by_name = {f.name: f for f in element_figures(loads, working=line, settings=settings)}
        for name in figures:
            value = by_name[name].value
            assert isinstance(value, float)
            found[name].append((value, by_name[name].detail["standard_error"]))
    return {
        name: (
            float(np.mean([v for v, _ in found[name]])) / truth,
            sum(abs(v - truth) <= 2.0 * e for v, e in found[name]),
        )
        for name, truth in figures.items()
    }


def assert_held(told: dict[str, tuple[float, int]], draws: int) -> None:
    """Mean within 2 %, and the truth inside two standard errors in 93 to 98 % of uses.

    A count of draws strays from its share: the bounds are the 0.1 and 99.9 % points of the
    binomial distribution at 93 and 98 %.
    """
    low, high = binom.ppf(0.001, draws, 0.93), binom.ppf(0.999, draws, 0.98)
    for name, (mean, held) in told.items():
        assert mean == pytest.approx(1.0, abs=0.02), name
        assert low <= held <= high, (name, held)


@pytest.mark.slow
@pytest.mark.parametrize("mounting", [0.0, 2e-4])
def test_area_and_friction_of_drawn_capsules(mounting: float) -> None:
    told = drawn(
        replace(CAPSULE, mounting=mounting),
        {"effective_area": 0.02, "friction_constant": 0.4, "friction_proportional": 0.005},
        200,
        element="capsule",
        transmitter_Pa_per_reading=1000.0,
    )
    assert_held(told, 200)


@pytest.mark.slow
def test_rate_preload_and_friction_of_drawn_springs() -> None:
    told = drawn(
        SPRING,
        {
            "spring_rate": 4.0, "preload": 25.0, "friction_constant": 1.5,
            "friction_proportional": 0.03,
        },
        200,
        element="draft spring",
        transducer_m_per_reading=1e-5,
    )  # fmt: skip
    assert_held(told, 200)


def test_a_straight_capsule_is_a_straight_line() -> None:
    """One in a thousand may be called bent by scatter: none of forty is more than luck."""
    bent = 0
    for seed in range(40):
        loads = load_series(parse_readings(CAPSULE.table(np.random.default_rng(seed))), 1)
        found = half_difference(loads)
        assert isinstance(found, HalfDifference)
        bent += found.bent
    assert bent <= 1
    bowed = replace(CAPSULE, bend=0.02)
    found = half_difference(
        load_series(parse_readings(bowed.table(np.random.default_rng(1))), 1)
    )
    assert isinstance(found, HalfDifference)
    assert found.bent


@pytest.mark.parametrize(
    ("column", "pascal", "said"),
    [
        ("reading_kPa", 6894.757, "one kPa is 1000 in SI"),
        ("reading_psi", 1000.0, "one psi is 6894.76 in SI"),
        ("reading_mm", 1000.0, "no unit of pressure"),
        ("reading_mm", None, "no unit of pressure"),
    ],
)
def test_a_unit_of_pressure_that_is_not_what_is_stated_is_refused(
    column: str, pascal: float | None, said: str
) -> None:
    text = CAPSULE.table(np.random.default_rng(3), reading=column)
    with pytest.raises(ReadingsError, match=said) as caught:
        first(text, element="capsule", transmitter_Pa_per_reading=pascal)
    assert column in str(caught.value)


@pytest.mark.parametrize(
    ("column", "size"), [("reading_kPa", 1000.0), ("reading_psi", 6894.757)]
)
def test_a_column_that_says_its_unit_needs_no_other_word(column: str, size: float) -> None:
    made = replace(CAPSULE, kN_per_unit=0.02 * size / 1000.0, noise=3000.0 / size)
    text = made.table(np.random.default_rng(3), reading=column)
    part = first(text, element="capsule", degree=1)
    assert part.figure("effective_area").value == pytest.approx(0.02, rel=2e-3)


def test_psi_taken_for_kilopascals_is_said_by_the_area() -> None:
    made = replace(CAPSULE, kN_per_unit=0.02 * 6.894757, noise=0.4)
    text = made.table(np.random.default_rng(3))
    stated = {"element": "capsule", "transmitter_Pa_per_reading": 1000.0, "degree": 1}
    for nominal, doubted in ((0.02, True), (0.02 * 6.894757, False)):
        settings = BenchSettings.from_document({**stated, "nominal_area_m2": nominal})
        cautions = evaluate(parse_readings(text), settings).cautions
        assert any("unit of pressure" in c for c in cautions) is doubted


def test_friction_of_the_wrong_sign_is_said() -> None:
    made = replace(CAPSULE, friction_kN=-0.4, friction_share=-0.005)
    text = made.table(np.random.default_rng(3))
    cautions = evaluate(
        parse_readings(text), BenchSettings(element="capsule", degree=1)
    ).cautions
    assert any("friction cannot do that" in caution for caution in cautions)


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
