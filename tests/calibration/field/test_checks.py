from __future__ import annotations

import json
import math

import numpy as np
import pytest

from calibration.certificates.force import ForceCertificate
from calibration.certificates.force_curve import ShuntExpectation
from calibration.field.checks import check_drift, check_shunt, check_zero, zero_line


def certificate(*, limits: bool = True) -> ForceCertificate:
    return ForceCertificate.from_coefficients(
        (0.0, 1e-4), capacity_kN=500.0, nominal_zero_counts=1000.0,
        shunt=ShuntExpectation(2_000_000.0, 5000.0) if limits else None,
        zero_limit_counts=50_000.0 if limits else None,
    )  # fmt: skip


def test_zero_check_in_and_out_of_limits() -> None:
    good = check_zero(certificate(), np.array([900, 1100, 1000]))
    assert good.passed is True
    assert good.difference_kN == pytest.approx(0.0)
    bad = check_zero(certificate(), [61_000])
    assert bad.passed is False
    assert "OUT OF LIMITS" in bad.text
    assert "+60000 counts (+6 kN)" in bad.text
    assert "\n" not in bad.text


def test_shunt_check_in_and_out_of_limits() -> None:
    assert check_shunt(certificate(), [2_001_000], zero_counts=1000.0).passed is True
    bad = check_shunt(certificate(), [2_007_000], zero_counts=1000.0)
    assert bad.passed is False
    assert bad.difference_counts == pytest.approx(6000.0)


def test_without_a_limit_nothing_is_claimed() -> None:
    bare = certificate(limits=False)
    for check in (check_zero(bare, [1000]), check_shunt(bare, [5], zero_counts=0.0)):
        assert check.passed is None
        assert "states no limit" in check.text


def test_drift_over_a_run() -> None:
    assert check_drift(certificate(), 1000.0, 11_000.0).passed is True
    assert check_drift(certificate(), 1000.0, 61_000.0).passed is False


def test_a_check_is_recorded_as_plain_json() -> None:
    document = check_zero(certificate(), [1000]).to_document()
    assert json.loads(json.dumps(document)) == document


@pytest.mark.parametrize("counts", [[], [math.nan]])
def test_a_check_needs_counts(counts: list[float]) -> None:
    with pytest.raises(ValueError, match="at least one count"):
        check_zero(certificate(), counts)


def test_zero_line_interpolates_and_holds_beyond() -> None:
    line = zero_line([100.0, 0.0, 200.0], [20.0, 10.0, 20.0], [1.0, 1.0, 1.0])
    assert line.at([-5.0, 0.0, 50.0, 100.0, 150.0, 999.0]).tolist() == [10, 10, 15, 20, 20, 20]
    assert line.drift_counts == 10.0


def test_uncertainty_of_the_zero_is_least_at_the_zeros() -> None:
    line = zero_line([0.0, 100.0], [0.0, 60.0], [2.0, 2.0])
    u = line.u_at([0.0, 50.0, 100.0, 150.0])
    assert u[[0, 2]] == pytest.approx([2.0, 2.0])
    assert u[1] == pytest.approx(math.hypot(2.0, 30.0 / math.sqrt(3.0)))
    assert u[3] == pytest.approx(math.hypot(2.0, 60.0 / math.sqrt(3.0)))


def test_one_zero_has_only_its_own_uncertainty() -> None:
    line = zero_line([0.0], [7.0], [3.0])
    assert line.u_at([0.0, 1e6]).tolist() == [3.0, 3.0]
    assert line.at(5.0) == 7.0


@pytest.mark.parametrize(
    ("t", "counts"),
    [([], []), ([0.0], [1.0, 2.0]), ([0.0, 0.0], [1.0, 2.0]), ([math.nan], [1.0])],
)
def test_senseless_zeros_are_refused(t: list[float], counts: list[float]) -> None:
    with pytest.raises(ValueError, match="zero"):
        zero_line(t, counts)
