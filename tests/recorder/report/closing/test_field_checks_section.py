"""Zeros and shunt checks in the report: as found, with their figures."""

from __future__ import annotations

import math

from calibration.certificates.force import ForceCertificate
from calibration.certificates.force_curve import ShuntExpectation
from calibration.field.checks import check_drift, check_shunt
from calibration.field.mean_counts import MeanCounts
from calibration.field.zero_guards import guard_wheel
from recorder.analysis.uncertainty.field_checks import RunFieldChecks
from recorder.report.closing.field_checks_section import field_checks_section
from recorder.report.pages.document import Text, TextTable
from recorder.report.pages.shown_units import CUSTOMARY
from recorder.run.checks.shunt_check import ShuntCheck, ShuntStep
from recorder.run.checks.zero_line import Zero, ZeroTime
from recorder.run.checks.zero_worth import zero_worth

CELL = ForceCertificate.from_coefficients(
    [0.0, 1e-4], capacity_kN=500.0, zero_limit_counts=5000.0,
    shunt=ShuntExpectation(deflection_counts=2_000_000.0, limit_counts=5000.0),
)  # fmt: skip


def mean(counts: float) -> MeanCounts:
    return MeanCounts(
        mean=counts, u=1.0, sd=5.0, n=300, drift=0.0, u_drift=0.4,
        lowest=counts, highest=counts,
    )  # fmt: skip


def shunt(t_s: float, deflection: float, *, reason: str = "") -> ShuntCheck:
    return ShuntCheck(
        channel="pull", t_s=t_s, step=ShuntStep.SHUNTED, open_counts=0.0,
        shunted_counts=deflection, reason=reason,
        check=check_shunt(CELL, mean(0.0), mean(deflection)),
    )  # fmt: skip


STOOD = (math.nan, math.nan)
STILL = guard_wheel(0, m_per_pulse=0.005, device="wheel")
ROLLED = guard_wheel(400, m_per_pulse=0.005, device="wheel")
ZEROS = (
    Zero(
        channel="pull", t_s=0.0, counts=20_000.0, u_counts=6.0, when=ZeroTime.BEFORE,
        guards=(STILL,),
    ),
    Zero(
        channel="pull", t_s=50.0, counts=25_000.0, u_counts=3000.0, guards=(ROLLED,),
        withdrawn="coupler was tight", forced="light engine", by="observer 1", revision=1,
    ),
    Zero(channel="pull", t_s=60.0, counts=math.nan, accepted=False, reason="nothing came"),
    Zero(channel="pull", t_s=99.0, counts=29_000.0, when=ZeroTime.AFTER),
)  # fmt: skip
FOUND = RunFieldChecks(
    zeros=tuple(zero_worth(ZEROS, {"pull": CELL})),
    forces=("pull",),
    drifts=(("pull", check_drift(CELL, 20_000.0, 29_000.0)),),
    shunts=(
        shunt(5.0, 2_000_000.0),
        shunt(50.0, 1e6, reason="drift 9 kN"),
        shunt(95.0, 1.96e6),
    ),
    moved_s=(10.0, 90.0),
)


def test_what_each_zero_is_worth() -> None:
    """20 000 counts before and 29 000 after: half way 24 545 stand without the one between."""
    zeros, guards, where, drift, _, _ = field_checks_section([("monday", FOUND)])
    assert isinstance(zeros, TextTable)
    assert zeros.rows == (
        ("monday", "1", "pull", "0.0", "before", "20000.0", "6.0", "0.00060", "0.900", "accepted"),
        (
            "monday", "2", "pull", "50.0", "between", "25000.0", "3\u2009000", "0.30", "−0.045",
            "WITHDRAWN; withdrawn: coupler was tight; forced: light engine; by observer 1",
        ),
        ("monday", "3", "pull", "60.0", "between", "—", "—", "—", "—", "REFUSED; nothing came"),
        ("monday", "4", "pull", "99.0", "after", "29000.0", "—", "—", "−0.900", "accepted"),
    )  # fmt: skip
    assert isinstance(guards, TextTable)
    assert [row[2] for row in guards.rows] == [
        "passed: wheel: 0 pulses (0 m), at most 2",
        "REFUSED: THE TRAIN MOVED, wheel: 400 pulses (2 m), at most 2",
        "not asked",
        "not asked",
    ]
    assert guards.rows[0][3] == "none there"
    assert isinstance(where, Text)
    assert where.text == "Run monday, pull: zeros that hold: 1 before, 0 between, 1 after."
    assert isinstance(drift, Text)
    assert "OUT OF LIMITS: +9000 counts (+0.9 kN)" in drift.text


def test_that_there_is_no_zero_at_the_end_or_none_at_all_is_said() -> None:
    def said(*zeros: Zero) -> str:
        held = RunFieldChecks(
            zeros=tuple(zero_worth(zeros, {"pull": CELL})), forces=("pull",), drifts=(),
            shunts=(), moved_s=(10.0, 90.0),
        )  # fmt: skip
        last = field_checks_section([("monday", held)])[-1]
        assert isinstance(last, Text)
        return last.text

    assert "1 before, 0 between, 0 after. NONE AT THE END" in said(ZEROS[0])
    assert said(ZEROS[3]).endswith("0 before, 0 between, 1 after.")
    assert "NONE HOLDS: the certificate's own zero stands" in said(ZEROS[1])
    assert "NONE was taken" in said()


def test_of_a_train_that_never_moved_the_recording_tells_the_order() -> None:
    zeros = tuple(zero_worth((ZEROS[0], ZEROS[3]), {"pull": CELL}))
    held = RunFieldChecks(zeros=zeros, forces=("pull",), drifts=(), shunts=(), moved_s=STOOD)
    where = field_checks_section([("monday", held)])[-1]
    assert isinstance(where, Text)
    assert where.text.endswith("1 before, 0 between, 1 after.")


def test_shunt_checks_against_the_certificate() -> None:
    *_, shunts, change = field_checks_section([("monday", FOUND)])
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
    held = RunFieldChecks(
        zeros=(), forces=(), drifts=(), shunts=(bare,), moved_s=(math.nan, math.nan)
    )
    (table,) = field_checks_section([("monday", held)])
    assert isinstance(table, TextTable)
    assert table.rows[0][3:] == ("before", "7.0", "—", "—", "—", "no value stated")


def test_a_run_without_checks_has_no_section() -> None:
    nothing = RunFieldChecks(
        zeros=(), forces=(), drifts=(), shunts=(), moved_s=(math.nan, math.nan)
    )
    assert field_checks_section([("monday", nothing)]) == []


def test_in_the_customary_edition_guards_and_drift_are_customary() -> None:
    blocks = field_checks_section([("A", FOUND)], CUSTOMARY)
    zeros = next(b for b in blocks if isinstance(b, TextTable))
    assert "u, lbf" in zeros.columns
    told = " ".join(
        [b.text for b in blocks if isinstance(b, Text)]
        + [cell for b in blocks if isinstance(b, TextTable) for row in b.rows for cell in row]
    )
    assert "OUT OF LIMITS: +9000 counts (+202 lbf)" in told
    assert "m/s" not in told.replace("not steady: drift 9 kN", "")
