"""The wheel's certificate of the demo holds what it was worked from."""

from __future__ import annotations

from datetime import date

import pytest

from calibration.evaluation.verify_wheel import verify_wheel
from simulated_feeds.outing.scenario import make_scenario
from simulated_feeds.outing.trial_day import trial_day
from simulated_feeds.sheets.rolled_wheel import rolled_wheel_certificate

DAY = date(2026, 11, 28)


@pytest.mark.parametrize("seed", [1, 2, 3, 7])
def test_its_lengths_give_it_and_its_uncertainty_is_the_scenarios(seed: int) -> None:
    for scenario in (
        make_scenario(seed, utc0_ns=1_795_000_000 * 10**9),
        trial_day(seed, utc0_ns=1_795_000_000 * 10**9).scenario,
    ):
        certificate = rolled_wheel_certificate(scenario, DAY)
        assert verify_wheel(certificate, source="simulated") == []
        stated = scenario.stated
        assert certificate.circumference_m == pytest.approx(stated.circumference_m, rel=1e-5)
        assert certificate.u_circumference_m == pytest.approx(
            stated.u_circumference_m, rel=1e-3
        )
        assert certificate.issued < DAY
