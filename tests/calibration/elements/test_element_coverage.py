"""U of a capsule and of a draft spring holds the truth: drawn benches, drawn uses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import issue_certificate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings_csv import parse_readings
from tests.calibration.elements.made_elements import MadeElement

CAPSULE = MadeElement(
    kN_per_unit=0.02, friction_kN=0.4, friction_share=0.005, noise=5.0, mounting=5e-4
)
SPRING = MadeElement(
    kN_per_unit=0.04, friction_kN=1.5, friction_share=0.03, preload_kN=25.0, noise=5.0,
    mounting=5e-4,
)  # fmt: skip


def held(made: MadeElement, element: str, seed: int, uses: int) -> tuple[list[bool], float]:
    """Which uses lie within U (rising, falling or held anywhere between), and U at full scale."""
    rng = np.random.default_rng([11, seed])
    settings = BenchSettings(
        element=element, reference_U_pct=0.02, stability_pct=0.0, room_temperature_C=20.0,
        service_temperature_C=(20.0, 20.0), capacity_kN=made.capacity_kN,
    )  # fmt: skip
    certificate = issue_certificate(evaluate(parse_readings(made.table(rng)), settings))
    inside = []
    for _ in range(uses):
        force = float(rng.uniform(0.0, made.capacity_kN))
        direction = float(rng.choice((1.0, -1.0, rng.uniform(-1.0, 1.0))))
        mounted = 1.0 + rng.normal(0.0, made.mounting)
        counts = mounted * made.indication(force, direction) + rng.normal(0.0, made.noise)
        shown = certificate.to_force(counts, zero_counts=rng.normal(0.0, made.noise))
        limit = certificate.expanded_uncertainty_kN(force)
        inside.append(bool(abs(float(shown) - force) <= float(limit)))
    return inside, float(certificate.expanded_uncertainty_kN(made.capacity_kN))


@pytest.mark.slow
@pytest.mark.parametrize(("made", "element"), [(CAPSULE, "capsule"), (SPRING, "draft spring")])
def test_uses_lie_within_what_the_certificate_states(made: MadeElement, element: str) -> None:
    """At least 93 %: friction is a bound, and what stands inside it is held more often."""
    draws, uses = 40, 100
    found = [held(made, element, seed, uses) for seed in range(draws)]
    good = sum(sum(inside) for inside, _ in found)
    assert good >= binom.ppf(0.001, draws * uses, 0.93)
    # Not by stating anything: within three times the friction at full scale.
    friction = made.friction_kN + made.friction_share * made.capacity_kN
    assert np.median([U for _, U in found]) < 3.0 * friction


def test_the_curve_of_a_preloaded_spring_is_its_own() -> None:
    rng = np.random.default_rng(3)
    exact = replace(SPRING, noise=0.5, mounting=0.0)
    settings = BenchSettings(element="draft spring", reference_U_pct=0.02)
    certificate = issue_certificate(evaluate(parse_readings(exact.table(rng)), settings))
    preload = certificate.tension.preload
    assert preload is not None
    assert preload.force_kN == pytest.approx(25.0, rel=0.01)
    assert certificate.tension.coefficients[1] == pytest.approx(0.04, rel=0.002)
    force = np.array([60.0, 120.0, 190.0])
    midway = (force - 25.0) / 0.04
    assert certificate.to_force(midway, zero_counts=0.0) == pytest.approx(force, rel=0.005)
    # Below the preload anything up to it may stand on the coupler.
    assert float(certificate.expanded_uncertainty_kN(10.0)) >= 25.0
    assert float(certificate.expanded_uncertainty_kN(100.0)) < 10.0


def test_a_spring_taken_rising_only_has_one_preload() -> None:
    """The figure on the paper is the one in the curve."""
    rng = np.random.default_rng(3)
    rows = replace(SPRING, mounting=0.0).table(rng).splitlines()
    text = "\n".join(r for r in rows if ",down," not in r or ",0," in r) + "\n"
    part = evaluate(parse_readings(text), BenchSettings(element="draft spring")).senses[0]
    figure = part.figure("preload")
    assert part.preload is not None
    assert isinstance(figure.value, float)
    assert figure.value == pytest.approx(part.preload.force_kN)
    assert "friction is in it" in figure.reason
    assert figure.value > 25.0
