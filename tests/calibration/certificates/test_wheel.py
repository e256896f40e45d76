"""Wheels against the computed tables of revolutions, wear and cones."""

import math
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calibration.certificates.certificate import (
    CertificateError,
    dump_certificate,
    full_document,
    parse_certificate,
)
from calibration.certificates.wheel import (
    WheelCertificate,
    combined_u_m,
    cone_part,
    curve_part,
    from_measured_length,
    from_rolled_length,
    from_tape,
    wear_part,
)

INCH_M = 0.0254
MILE_M = 1609.344


def wheel(circumference_m: float = 2.872672, pulses: int = 60) -> WheelCertificate:
    return WheelCertificate(
        certificate_id="w1",
        issued=date(2026, 1, 1),
        expires=date(2027, 1, 1),
        wheel="axle 2 left",
        circumference_m=circumference_m,
        u_circumference_m=0.001,
        pulses_per_revolution=pulses,
    )


def test_it_names_the_code_that_issued_it() -> None:
    held = replace(wheel(), software="testcar 9.8+gabc")
    assert full_document(held)["software"] == "testcar 9.8+gabc"
    assert parse_certificate(dump_certificate(held)) == held


def test_issued_before_the_code_was_named_keeps_its_digest() -> None:
    """Worked out by the code of before."""
    digest = "sha256:01132cd47fef0fb01c6b5644f75884288e44570f2ef64f0a9760d94fe03183f4"
    assert wheel().digest == digest
    assert parse_certificate(dump_certificate(wheel())).digest == digest


@pytest.mark.parametrize(
    ("diameter_in", "per_mile", "mm_per_pulse"),
    [(28, 720.2898, 37.23834), (33, 611.155, 43.88805), (36, 560.2254, 47.87787)],
)
def test_revolutions_per_mile(diameter_in: float, per_mile: float, mm_per_pulse: float) -> None:
    """Computed table: 63 360/(π·D) revolutions per mile; millimetres a pulse at 60 a turn."""
    held = wheel(math.pi * diameter_in * INCH_M)
    assert MILE_M / held.circumference_m == pytest.approx(per_mile, abs=1e-3)
    assert held.m_per_pulse * 1000.0 == pytest.approx(mm_per_pulse, abs=1e-4)


def test_wear_of_a_millimetre() -> None:
    """36 in wheel: 0.1094 % of distance per millimetre of diameter (computed)."""
    circumference = math.pi * 36 * INCH_M
    part = wear_part(circumference, 0.001)
    assert part.u_m * math.sqrt(3) / circumference == pytest.approx(0.0010936, abs=1e-6)


def test_cone_moves_the_rolling_radius() -> None:
    """1:20 cone, 10 mm across: 0.5 mm of radius, 0.109 % of a 457.2 mm radius (computed)."""
    circumference = 2 * math.pi * 0.4572
    part = cone_part(circumference, conicity=0.05, lateral_m=0.010)
    assert part.u_m / circumference == pytest.approx(0.00109, abs=1e-5)


@given(st.floats(1.0, 5.0), st.floats(1.0, 20.0), st.integers(20, 500))
def test_three_ways_agree(circumference: float, turns: float, pulses: int) -> None:
    tape, _ = from_tape([circumference], u_tape_m=0.0005)
    rolled, _ = from_rolled_length([circumference * turns], turns, u_length_m=0.002)
    counts = MILE_M / circumference * pulses
    mile, parts = from_measured_length(MILE_M, [counts], pulses, u_length_m=0.1)
    assert rolled == pytest.approx(tape, rel=1e-12)
    assert mile == pytest.approx(tape, rel=1e-12)
    assert sum(p.u_m for p in parts) > 0.0


def test_certificate_comes_back_from_its_file() -> None:
    held = wheel()
    back = parse_certificate(dump_certificate(held))
    assert back == held
    assert back.digest == held.digest


def test_what_no_wheel_can_be() -> None:
    with pytest.raises(CertificateError, match="circumference_m"):
        wheel(50.0)
    with pytest.raises(CertificateError, match="pulses"):
        wheel(pulses=0)
    with pytest.raises(ValueError, match="differ by"):
        from_tape([2.0, 2.2], u_tape_m=0.001)
    with pytest.raises(ValueError, match="above zero"):
        from_measured_length(MILE_M, [0.0], 60, u_length_m=0.1)


def test_curves_on_a_wheel_that_turns_by_itself() -> None:
    """Half the contact distance over the radius: 0.75 m in 500 m is ± 0.15 %, rectangular."""
    part = curve_part(2.872672, 500.0)
    assert part.u_m * math.sqrt(3) / 2.872672 == pytest.approx(0.0015)
    assert curve_part(2.872672, 500.0, share=0.2).u_m == pytest.approx(0.2 * part.u_m)
    with pytest.raises(ValueError, match="20 m or more"):
        curve_part(2.872672, 0.0)


def test_few_readings_know_their_scatter_badly() -> None:
    """Of two readings 1 mm apart the mean is known to t(1, 95.45 %)/2 = 6.98 times 0.5 mm."""
    _, parts = from_tape([2.8720, 2.8730], u_tape_m=0.0)
    repeat = next(p for p in parts if p.cause == "repeatability")
    assert repeat.u_m == pytest.approx(6.98 * 0.0005, rel=1e-3)
    many = [2.8720, 2.8730] * 50
    _, parts = from_tape(many, u_tape_m=0.0)
    repeat = next(p for p in parts if p.cause == "repeatability")
    assert repeat.u_m == pytest.approx(0.0005 / math.sqrt(99), rel=0.02)


def test_scatter_of_passes_holds_the_counting_already() -> None:
    """The larger of the two is taken, not both; the surveyed length is shared by all passes."""
    rough = [33_600.0, 33_650.0, 33_610.0]
    _, parts = from_measured_length(MILE_M, rough, 60, u_length_m=0.3, u_count=1.0)
    assert [p.cause for p in parts] == ["measured length", "repeatability"]
    _, parts = from_measured_length(MILE_M, [33_614.0] * 4, 60, u_length_m=0.3, u_count=2.0)
    assert [p.cause for p in parts] == ["measured length", "counting"]
    assert parts[1].u_m == pytest.approx(2.872 * 2.0 / 33_614 / 2.0, rel=1e-3)
    assert combined_u_m(parts) == pytest.approx(math.hypot(*(p.u_m for p in parts)))


@given(
    st.fixed_dictionaries(
        {},
        optional={
            key: st.none()
            | st.booleans()
            | st.floats()
            | st.text(max_size=12)
            | st.lists(st.none())
            for key in wheel().to_document()
        },
    )
)
def test_damaged_documents_are_refused_in_one_line(damage: dict[str, object]) -> None:
    """Any field of any type: a wheel, or ``CertificateError``; nothing else comes out."""
    try:
        found = WheelCertificate.from_document({**wheel().to_document(), **damage})
    except CertificateError as refused:
        lines = str(refused).count("\n")
        if lines:
            raise
        return
    assert 0.3 <= found.circumference_m <= 10.0
    assert found.pulses_per_revolution >= 1
