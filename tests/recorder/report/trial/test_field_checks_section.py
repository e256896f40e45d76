"""Zeros and shunt checks in the report: as found, with their figures."""

from __future__ import annotations

import math

from calibration.certificates.force import ForceCertificate
from calibration.certificates.force_curve import ShuntExpectation
from calibration.field.checks import check_drift, check_shunt
from calibration.field.mean_counts import MeanCounts
from recorder.analysis.uncertainty.field_checks import RunFieldChecks
from recorder.report.pages.document import Text, TextTable
from recorder.report.trial.field_checks_section import field_checks_section
from recorder.run.checks.shunt_check import ShuntCheck, ShuntStep
from recorder.run.checks.zero_line import Zero, ZeroTime

CELL = ForceCertificate.from_coefficients(
    [0.0, 1e-4], capacity_kN=500.0, zero_limit_counts=5000.0,
    shunt=ShuntExpectation(deflection_counts=2_000_000.0, limit_counts=5000.0),
)  # fmt: skip


def mean(counts: float) -> MeanCounts:
    return MeanCounts(
        mean=counts, u=1.0, sd=5.0, n=300, drift=0.0, lowest=counts, highest=counts
    )


def shunt(t_s: float, deflection: float, *, reason: str = "") -> ShuntCheck:
    return ShuntCheck(
        channel="pull", t_s=t_s, step=ShuntStep.SHUNTED, open_counts=0.0,
        shunted_counts=deflection, reason=reason,
        check=check_shunt(CELL, mean(0.0), mean(deflection)),
    )  # fmt: skip


FOUND = RunFieldChecks(
    zeros=(
        Zero(channel="pull", t_s=0.0, counts=20_000.0, u_counts=6.0, when=ZeroTime.BEFORE),
        Zero(channel="pull", t_s=50.0, counts=math.nan, accepted=False, reason="nothing came"),
        Zero(channel="pull", t_s=99.0, counts=29_000.0, when=ZeroTime.AFTER),
    ),
    drifts=(("pull", check_drift(CELL, 20_000.0, 29_000.0)),),
    shunts=(
        shunt(5.0, 2_000_000.0),
        shunt(50.0, 1e6, reason="drift 9 kN"),
        shunt(95.0, 1.96e6),
    ),
    moved_s=(10.0, 90.0),
)


def test_zeros_and_their_drift() -> None:
    zeros, drift, _, _ = field_checks_section([("monday", FOUND)])
    assert isinstance(zeros, TextTable)
    assert zeros.rows == (
        ("monday", "pull", "0.0", "before", "20000.0", "6.0", "accepted"),
        ("monday", "pull", "50.0", "during", "—", "—", "REFUSED: nothing came"),
        ("monday", "pull", "99.0", "after", "29000.0", "—", "accepted"),
    )
    assert isinstance(drift, Text)
    assert "OUT OF LIMITS: +9000 counts (+0.9 kN)" in drift.text


def test_shunt_checks_against_the_certificate() -> None:
    _, _, shunts, change = field_checks_section([("monday", FOUND)])
    assert isinstance(shunts, TextTable)
    assert [row[3:] for row in shunts.rows] == [
        ("before", "2000000.0", "2000000.0", "0.00", "0.25", "in limits"),
        ("during", "1000000.0", "2000000.0", "−50.00", "0.25", "not steady: drift 9 kN"),
        ("after", "1960000.0", "2000000.0", "−2.00", "0.25", "OUT OF LIMITS"),
    ]
    assert isinstance(change, Text)
    assert "changed by −2.00 % from the check at 5 s to the one at 95 s" in change.text


def test_a_certificate_without_a_value_leaves_only_what_was_found() -> None:
    bare = ShuntCheck(
        channel="pull", t_s=5.0, step=ShuntStep.SHUNTED, open_counts=0.0, shunted_counts=7.0
    )
    held = RunFieldChecks(zeros=(), drifts=(), shunts=(bare,), moved_s=(math.nan, math.nan))
    (table,) = field_checks_section([("monday", held)])
    assert isinstance(table, TextTable)
    assert table.rows[0][3:] == ("before", "7.0", "—", "—", "—", "no value stated")


def test_a_run_without_checks_has_no_section() -> None:
    nothing = RunFieldChecks(zeros=(), drifts=(), shunts=(), moved_s=(math.nan, math.nan))
    assert field_checks_section([("monday", nothing)]) == []
