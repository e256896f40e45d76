"""The certificate of a device's clock: what can be one, and what cannot."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from calibration.certificates.certificate import (
    CertificateError,
    dump_certificate,
    load_certificate,
    parse_certificate_document,
)
from calibration.certificates.clock import ClockCertificate

SECONDS = tuple(range(0, 2001, 10))
CLOCK = ClockCertificate(
    certificate_id="CL-1", issued=date(2026, 5, 4), expires=date(2027, 5, 4),
    device="cell (load-cell-frames)", serial="7", run="morning", run_digest="ab",
    began_utc="2026-05-04T06:00:00Z", tick_hz=1e6, seconds=SECONDS,
    ticks=tuple(s * 1_000_005 for s in SECONDS), rate_ppm=5.0, u_rate_ppm=0.1,
    coverage_factor=2.0, low_ppm=4.9, high_ppm=5.1, scatter_us=0.3,
    temperature_C=(18.0, 24.5), software="v", stated={"customer": "Depot"},
)  # fmt: skip


def changed(**fields: Any) -> dict[str, Any]:
    return {**CLOCK.to_document(), **fields}


def pulses(seconds: object, ticks: object) -> dict[str, Any]:
    return changed(pulses={"seconds": seconds, "ticks": ticks})


@pytest.mark.parametrize(
    "clock",
    [
        CLOCK,
        replace(CLOCK, expires=None, temperature_C=None, stated={}),
        replace(CLOCK, expires=CLOCK.issued),
        replace(CLOCK, temperature_C=(-80.0, 150.0)),
        replace(CLOCK, temperature_C=(20.0, 20.0)),
        replace(CLOCK, seconds=(), ticks=()),
    ],
)
def test_what_is_written_is_read(clock: ClockCertificate, tmp_path: Any) -> None:
    path = tmp_path / "clock.json"
    path.write_text(dump_certificate(clock), "utf-8")
    assert load_certificate(path) == clock


def test_its_rate_is_worked_out_of_its_pulses() -> None:
    """5 ticks a second too many at 1 MHz: 5 ppm fast."""
    assert CLOCK.worked_out().rate_ppm == pytest.approx(5.0, abs=1e-6)
    assert CLOCK.span_s == 2000.0
    assert replace(CLOCK, seconds=(), ticks=()).span_s == 0.0


@pytest.mark.parametrize(
    ("document", "words"),
    [
        (changed(expires="2026-05-03"), "lies before issued"),
        (changed(temperature_C=[25.0, 18.0]), r"\[low, high\]"),
        (changed(temperature_C=[-80.5, 18.0]), r"\[low, high\]"),
        (changed(temperature_C=[18.0, 150.5]), r"\[low, high\]"),
        (changed(temperature_C=[18.0]), r"\[low, high\] or null"),
        (changed(temperature_C=18.0), r"\[low, high\] or null"),
        (changed(temperature_C=[True, 18.0]), "temperature_C"),
        (changed(pulses=[]), "must be tables"),
        (changed(stated=[]), "must be tables"),
        (changed(tick_hz=0.0), "tick_hz"),
        (changed(u_rate_ppm=-0.1), "u_rate_ppm"),
        (changed(scatter_us=-0.1), "scatter_us"),
        (changed(coverage_factor=0.9), "coverage_factor"),
        (pulses([0, 1], [0]), "differ in number: 2, 1"),
        (pulses([0, 0], [0, 1]), "pulses.seconds must rise"),
        (pulses([0, 1], [5, 4]), "pulses.ticks must rise"),
        (pulses([-1, 1], [0, 1]), "whole numbers from 0"),
        (pulses([0, 1], [0, 2**62]), "whole numbers from 0"),
        (pulses([0, True], [0, 1]), "whole numbers from 0"),
        (pulses([0, 1.5], [0, 1]), "whole numbers from 0"),
        (pulses("01", [0, 1]), "whole numbers from 0"),
        (pulses([0, 1], None), "whole numbers from 0"),
    ],
)
def test_what_no_clock_can_be_is_refused(document: dict[str, Any], words: str) -> None:
    with pytest.raises(CertificateError, match=words):
        ClockCertificate.from_document(document)


def test_a_refusal_names_its_source_once() -> None:
    late = {**changed(expires="2025-05-04"), "kind": "clock"}
    with pytest.raises(CertificateError, match=r"^clock\.json: expires 2025-05-04 lies before"):
        parse_certificate_document(late, source="clock.json")
