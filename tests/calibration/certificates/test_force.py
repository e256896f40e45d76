"""Force from counts by a certificate: curve, flags, uncertainty."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from calibration.certificates.certificate import (
    CertificateError,
    dump_certificate,
    parse_certificate,
)
from calibration.certificates.force import ForceCertificate
from calibration.certificates.force_curve import (
    Preload,
    SenseCurve,
    ShuntExpectation,
    UncertaintyTable,
)
from calibration.quantities import flags
from tests.calibration.made_certificates import simple


def test_counts_to_force_and_back() -> None:
    c = simple()
    force = c.to_force([1000, 1000 + 10_000, 1000 - 10_000], zero_counts=1000)
    assert force == pytest.approx([0.0, 1.0 + 1e-4, -1.01])
    counts = c.to_deflection(np.linspace(-400, 400, 41)) + 1000.0
    assert c.to_force(counts, zero_counts=1000.0) == pytest.approx(np.linspace(-400, 400, 41))


def test_counts_may_be_integers_of_any_width_and_the_zero_an_array() -> None:
    c = simple()
    wide = np.array([2**31 - 1], dtype=np.int64)
    narrow = np.array([8_388_607], dtype=np.int32)
    assert c.to_force(wide, zero_counts=-(2**31)).shape == (1,)
    assert np.isfinite(c.to_force(narrow, zero_counts=-8_388_608)).all()
    moving = c.to_force(np.full(3, 2000), zero_counts=np.array([1000.0, 1500.0, 2000.0]))
    assert moving == pytest.approx([0.1000010, 0.05, 0.0], rel=1e-4)


def test_flags_for_each_sample() -> None:
    c = simple()
    counts = np.array([8_388_607, -8_388_608, 1000, 6_000_000])
    found = c.flags(counts, c.to_force(counts, zero_counts=1000), on=date(2026, 6, 1))
    assert found.dtype == np.uint8
    assert found.tolist() == [
        flags.SATURATED | flags.OUT_OF_RANGE, flags.SATURATED | flags.OUT_OF_RANGE,
        0, flags.OUT_OF_RANGE,
    ]  # fmt: skip
    late = c.flags(counts[2:3], [0.0], on=date(2027, 1, 1))
    assert late.tolist() == [flags.EXPIRED]
    # A day is begun in the east while the day before is not over in UTC.
    first = c.flags(counts[2:3], [0.0], on=date(2025, 12, 31))
    assert first.tolist() == [0]
    early = c.flags(counts[2:3], [0.0], on=date(2025, 12, 30))
    assert early.tolist() == [flags.EXPIRED]
    assert c.flags(counts[2:3], [np.nan], on=None).tolist() == [flags.OUT_OF_RANGE]
    assert c.flags(counts[2:3], [0.0], on=date(2026, 12, 31)).tolist() == [0]


def test_noise_about_zero_is_inside_a_tension_only_range() -> None:
    c = ForceCertificate.from_coefficients(
        (0.0, 1e-4), capacity_kN=500.0, range_kN=(0.0, 500.0)
    )
    assert c.flags([0, 0], [-1.0, -10.0], on=None).tolist() == [0, flags.OUT_OF_RANGE]


def test_uncertainty_interpolates_and_grows_beyond() -> None:
    c = simple()
    assert c.standard_uncertainty_kN(0.0) == pytest.approx(0.1)
    assert c.standard_uncertainty_kN([500.0, -500.0]) == pytest.approx(
        [np.hypot(0.1, 0.5)] * 2, rel=1e-6
    )
    assert c.standard_uncertainty_kN(1000.0) == pytest.approx(2 * np.hypot(0.1, 0.5))
    assert c.expanded_uncertainty_kN(0.0) == pytest.approx(0.2)


def test_beyond_the_far_end_of_either_sense_it_grows_in_proportion() -> None:
    """Stated from -50 to 100 kN: the farther end counts."""
    for forces in ((-50.0, 0.0, 100.0), (-100.0, 0.0, 50.0)):
        table = UncertaintyTable(forces, (0.3, 0.1, 0.3), (2.0, 2.0, 2.0))
        assert table.standard_at([150.0, -150.0]) == pytest.approx([0.45, 0.45])


def test_the_band_about_zero_is_twice_the_uncertainty_there() -> None:
    """At zero 3 kN with k = 2, beside it less: 12 kN; of a surer cell 0.5 % of its capacity."""
    table = UncertaintyTable((-100.0, 0.0, 100.0), (1.0, 3.0, 1.0), (2.0, 2.0, 2.0))
    assert replace(simple(), uncertainty=table).zero_band_kN == pytest.approx(12.0)
    assert simple().zero_band_kN == pytest.approx(2.5)


def test_each_sense_is_asked_of_its_own_curve_alone() -> None:
    """The tension curve turns back at -250 kN, the compression curve at 250 kN."""
    c = ForceCertificate.from_coefficients(
        (0.0, 1e-4, 1e-11), compression=(0.0, 1e-4, -1e-11), capacity_kN=500.0
    )
    forces = np.array([400.0, -400.0, 0.0])
    again = c.to_force(c.to_deflection(forces), zero_counts=0.0)
    assert again == pytest.approx(forces)


@pytest.mark.parametrize("force_kN", [249.0, 251.0, 400.0, 1e4])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_force_beyond_the_top_of_the_curve_has_no_deflection(
    force_kN: float, sign: float
) -> None:
    """``1e-4 x - 1e-11 x²`` turns back at 5 million counts and 250 kN."""
    curve = SenseCurve((0.0, sign * 1e-4, -sign * 1e-11))
    forces = np.array([sign * force_kN])
    if force_kN < 250.0:
        assert curve.force_kN(curve.deflection(forces)) == pytest.approx(forces)
        return
    with pytest.raises(ValueError, match="does not reach that force"):
        curve.deflection(forces)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"range_kN": (10.0, 500.0)}, "range_kN"),
        ({"capacity_kN": -1.0, "range_kN": (0.0, 1.0)}, "capacity_kN"),
        ({"certificate_id": " "}, "certificate_id"),
        ({"expires": date(2025, 1, 1)}, "before issued"),
        ({"compression": (0.0, -1e-4)}, "rise the same way"),
    ],
)
def test_senseless_certificates_are_refused(change: dict[str, object], words: str) -> None:
    with pytest.raises(CertificateError, match=words):
        ForceCertificate.from_coefficients(
            (0.0, 1e-4),
            **{"capacity_kN": 500.0, **change},  # type: ignore[arg-type]  # of any field
        )


def test_senseless_parts_are_refused() -> None:
    for wrong in ((0.0,), (1.0, 2.0), (0.0, 0.0, 1.0), (0.0, float("nan")), (0.0,) * 7):
        with pytest.raises(CertificateError):
            SenseCurve(wrong)
    with pytest.raises(CertificateError, match="rise strictly"):
        UncertaintyTable((0.0, 0.0), (1.0, 1.0), (2.0, 2.0))
    with pytest.raises(CertificateError, match="limit_counts"):
        ShuntExpectation(1000.0, 0.0)
    with pytest.raises(ValueError, match="does not reach"):
        SenseCurve((0.0, 1.0, -0.01)).deflection(np.array([100.0]))


@pytest.mark.parametrize("gain", [0.04, -0.04])
def test_a_preloaded_spring_shows_its_preload_once_it_has_moved(gain: float) -> None:
    """Statics of a preloaded spring: F = P + G x once it moves; no step at zero."""
    curve = SenseCurve((0.0, gain), Preload(25.0, 10.0))
    counts = np.array([0.0, 5.0, 10.0, 1000.0, -1000.0])
    force = curve.force_kN(np.sign(gain) * counts)
    assert force == pytest.approx([0.0, 12.7, 25.4, 65.0, -65.0])
    assert curve.deflection(force) == pytest.approx(np.sign(gain) * counts)
    certificate = replace(simple(), tension=curve, compression=None)
    text = dump_certificate(certificate)
    again = parse_certificate(text)
    assert isinstance(again, ForceCertificate)
    assert again.tension == curve
    assert again.digest == certificate.digest


@pytest.mark.parametrize("wrong", [(0.0, 1.0), (-1.0, 1.0), (1.0, 0.0), (float("nan"), 1.0)])
def test_a_preload_that_cannot_be_is_refused(wrong: tuple[float, float]) -> None:
    with pytest.raises(CertificateError, match="preload"):
        Preload(*wrong)
