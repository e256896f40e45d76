"""Zero and shunt checks against the certificate."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.certificates.force import ForceCertificate
from calibration.certificates.force_curve import ShuntExpectation
from calibration.field.checks import (
    FieldCheck,
    check_drift,
    check_shunt,
    check_zero,
    stands_at_rail,
    unsteady,
)
from calibration.field.mean_counts import MeanCounts, mean_counts


def certificate(*, limits: bool = True) -> ForceCertificate:
    """1e-4 kN a count, 500 kN."""
    return ForceCertificate.from_coefficients(
        (0.0, 1e-4), capacity_kN=500.0, nominal_zero_counts=1000.0,
        shunt=ShuntExpectation(2_000_000.0, 5000.0) if limits else None,
        zero_limit_counts=50_000.0 if limits else None,
    )  # fmt: skip


def found(
    mean: float, *, sd: float = 10.0, drift: float = 0.0, u_drift: float = 2.5
) -> MeanCounts:
    return MeanCounts(
        mean=mean, u=1.0, sd=sd, n=100, drift=drift, u_drift=u_drift,
        lowest=mean - 3 * sd, highest=mean + 3 * sd,
    )  # fmt: skip


def test_zero_check_in_and_out_of_limits() -> None:
    good = check_zero(certificate(), found(1000.0))
    assert good.passed is True
    assert good.difference_kN == pytest.approx(0.0)
    bad = check_zero(certificate(), found(61_000.0))
    assert bad.passed is False
    assert "OUT OF LIMITS" in bad.text
    assert "+60000 counts (+6 kN)" in bad.text
    assert "\n" not in bad.text
    assert "+5000 counts (+0.5 kN)" in check_zero(certificate(), found(6000.0)).text
    assert "-5000 counts (−0.5 kN)" in check_zero(certificate(), found(-4000.0)).text


def test_shunt_check_in_and_out_of_limits() -> None:
    opened = found(1000.0)
    assert check_shunt(certificate(), opened, found(2_001_000.0)).passed is True
    bad = check_shunt(certificate(), opened, found(2_007_000.0))
    assert bad.passed is False
    assert (bad.counts, bad.expected_counts) == (2_006_000.0, 2_000_000.0)
    assert bad.difference_counts == pytest.approx(6000.0)


def test_without_a_limit_nothing_is_claimed() -> None:
    bare = certificate(limits=False)
    opened = found(1000.0)
    for check in (check_zero(bare, opened), check_shunt(bare, opened, found(5.0))):
        assert check.passed is None
        assert "states no limit" in check.text


def test_drift_over_a_run() -> None:
    assert check_drift(certificate(), 1000.0, 11_000.0).passed is True
    assert check_drift(certificate(), 1000.0, 61_000.0).passed is False


@pytest.mark.parametrize("limits", [True, False])
def test_a_check_is_kept_as_plain_json(*, limits: bool) -> None:
    check = check_zero(certificate(limits=limits), found(1000.0))
    document = json.loads(json.dumps(check.to_document()))
    assert FieldCheck.from_document(document) == check


@pytest.mark.parametrize(
    "document",
    [None, 3, [], {}, {"kind": "zero"}, {"kind": "weight", "counts": 1.0, "text": ""}],
)
def test_what_is_no_check_is_none(document: Any) -> None:
    assert FieldCheck.from_document(document) is None


@pytest.mark.parametrize("at", ["lowest", "highest"])
def test_one_count_at_a_rail_is_enough(at: str) -> None:
    low, high = certificate().rails
    held = found(0.0)
    railed = (
        replace(held, lowest=float(low))
        if at == "lowest"
        else replace(held, highest=float(high))
    )
    assert stands_at_rail(certificate(), railed)
    assert not stands_at_rail(certificate(), found(0.0))


class TestUnsteady:
    def test_a_hundredth_of_capacity_was_not_at_rest_however_noisy(self) -> None:
        """5 kN of 500: 50 000 counts."""
        noisy = {"u_drift": 20_000.0}
        assert unsteady(certificate(), found(0.0, drift=49_000.0, **noisy)) == ""
        assert unsteady(certificate(), found(0.0, drift=-51_000.0, **noisy)) == "drift 5.1 kN"
        assert unsteady(certificate(), found(0.0, sd=17_000.0)) == "spread 5.1 kN"

    def test_a_drift_beyond_its_noise_and_what_a_zero_does_unseen(self) -> None:
        """Twice 0.05 % of 500 kN (from experience): 5000 counts."""
        assert unsteady(certificate(), found(0.0, drift=4_900.0)) == ""
        assert unsteady(certificate(), found(0.0, drift=5_100.0)) == "drift 0.51 kN"
        assert unsteady(certificate(), found(0.0, drift=5_100.0, u_drift=1_690.0)) != ""
        assert unsteady(certificate(), found(0.0, drift=5_100.0, u_drift=1_710.0)) == ""

    @pytest.mark.parametrize(("zero_return", "limit"), [(0.001, 5_000.0), (0.2, 11_547.0)])
    def test_twice_what_its_certificate_says_or_what_an_untaken_zero_is_worth(
        self, zero_return: float, limit: float
    ) -> None:
        """0.2 % of 500 kN over √3 is 0.577 kN: twice that. 0.001 % is less than 0.1 % of 500 kN,
        which is what a zero that nobody took is worth (from experience)."""
        figures = {"zero_return": {"value": zero_return}}
        cell = replace(certificate(), details={"results": {"figures": figures}})
        assert unsteady(cell, found(0.0, drift=limit - 50.0)) == ""
        assert unsteady(cell, found(0.0, drift=limit + 50.0)).startswith("drift ")

    @pytest.mark.parametrize("noise", [1.0, 262.0, 5_000.0])
    def test_a_ramp_is_told_of_whatever_its_start(self, noise: float) -> None:
        """Three seconds of a zero that moves by 2 kN a second, at 1 kHz."""
        t = np.arange(3000) / 1000.0
        for start in (-30_000.0, 0.0, 1000.0):
            counts = start + 20_000.0 * t + np.random.default_rng(3).normal(0.0, noise, 3000)
            zero = mean_counts(t, counts, 0.0, 3.0)
            assert zero is not None
            assert unsteady(certificate(), zero).startswith("drift ")

    @settings(max_examples=60)
    @given(
        seed=st.integers(0, 10_000),
        noise=st.sampled_from([1.0, 100.0, 3_000.0, 10_000.0]),
        swing=st.floats(0.0, 3_000.0),
        hz=st.floats(0.9, 20.0),
        seconds=st.sampled_from([2.0, 5.0, 30.0]),
    )
    def test_a_cell_that_is_noisy_or_sways_is_at_rest(
        self, seed: int, noise: float, swing: float, hz: float, seconds: float
    ) -> None:
        """An engine that idles, a coupler that swings by 0.3 kN: the mean stays where it is."""
        rng = np.random.default_rng(seed)
        t = np.arange(0.0, seconds, 0.005)
        counts = rng.normal(0.0, noise, len(t)) + swing * np.sin(
            2 * np.pi * hz * t + rng.uniform(0.0, 6.3)
        )
        zero = mean_counts(t, counts, 0.0, seconds)
        assert zero is not None
        assert unsteady(certificate(), zero) == ""
