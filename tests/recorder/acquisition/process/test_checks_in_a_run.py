"""Zeros and shunt checks of a recording in a process of its own: before, during, after."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from calibration.certificates.force_curve import ShuntExpectation
from recorder.acquisition.control.exchanges import RequestRefusedError
from recorder.acquisition.process.launch import start_recording
from recorder.acquisition.process.reports import CheckReport, ZeroBegins
from recorder.run.checks.shunt_check import ShuntStep
from recorder.run.checks.zero_line import ZeroTime
from recorder.run_file.hdf5.reader import open_run

if TYPE_CHECKING:
    from tests.recorder.acquisition.conftest import FakeCell
    from tests.recorder.listener import Listener


from tests.recorder.acquisition.process.conftest import Sheets, assert_unbroken

pytestmark = pytest.mark.slow

LATE = 200
"""Samples of a tenth of a second: by so much a busy machine may date the first ones late."""


def test_the_zero_is_taken_before_the_run(
    tmp_path: Path, cell: FakeCell, make_sheets: Callable[..., Sheets]
) -> None:
    sheets = make_sheets(tmp_path, cell.port, zero_seconds=0.5)
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out, seconds=0.6) as process:
        assert process.wait(60.0) == 0
        reports = process.reports
    assert any("zero check" in r.text for r in reports if isinstance(r, CheckReport))
    with open_run(out) as run:
        (zero,) = run.zeros()
        assert (zero.t_s, zero.channel, zero.when) == (0.0, "pull", ZeroTime.BEFORE)
        # Half a second's, as well as a busy machine can date it.
        assert zero.n == pytest.approx(1000, abs=2 * LATE)
        # It counts up by one a sample: the zero's mean lies half its length before the run.
        first = int(run.channels["pull"].counts()[0])
        assert zero.counts == pytest.approx(first - zero.n / 2, abs=LATE)
        assert zero.accepted
        channel = run.channels["pull"]
        assert channel.time_s()[0] >= 0.0
        expected_kN = (channel.counts() - zero.counts) * 1e-4
        assert channel.values() == pytest.approx(expected_kN, abs=1e-5)


def test_zero_and_shunt_checks_during_the_run(
    tmp_path: Path,
    cell: FakeCell,
    make_sheets: Callable[..., Sheets],
    make_certificate: Callable[..., Any],
) -> None:
    shunt = ShuntExpectation(deflection_counts=50_000.0, limit_counts=100.0)
    certificate = make_certificate(shunt=shunt, zero_limit_counts=10.0)
    sheets = make_sheets(tmp_path, cell.port, certificate=certificate)
    with start_recording(*sheets, tmp_path / "run.h5") as process:
        session = process.session
        with pytest.raises(RequestRefusedError, match="no force channel"):
            session.take_zero(0.2, channel="push")
        with pytest.raises(RequestRefusedError, match=r"0\.1 to 600 seconds"):
            session.take_zero(0.01)
        (zero,) = session.take_zero(0.3)
        # Some hundred counts from the certificate's zero, which allows ten: it may be force.
        assert not zero.accepted
        assert "OUT OF LIMITS" in zero.reason
        assert session.status().zeros == ()
        assert any("OUT OF LIMITS" in words for words in session.status().warnings)
        with pytest.raises(RequestRefusedError, match="step open"):
            session.shunt_check(ShuntStep.SHUNTED, 0.2)
        opened = session.shunt_check(ShuntStep.OPEN, 0.2)
        assert (opened.channel, opened.passed) == ("pull", None)
        check = session.shunt_check(ShuntStep.SHUNTED, 0.2, channel="pull")
        assert check.passed is False
        assert check.open_counts == opened.open_counts
        assert check.check is not None
        assert check.check.counts == pytest.approx(check.deflection_counts)
        assert any("shunt check OUT OF LIMITS" in w for w in session.status().warnings)
        kinds = [event.kind for event in session.events()]
        assert kinds.count("zero") == 1
        assert kinds.count("shunt_check") == 2
        assert process.stop() == 0


def test_a_zero_that_the_sheet_knows(
    tmp_path: Path, cell: FakeCell, make_sheets: Callable[..., Sheets]
) -> None:
    car, trip = make_sheets(tmp_path, cell.port, zero_seconds=5.0)
    text = car.read_text("utf-8")
    car.write_text(text.replace("quantity =", "zero_counts = -250\nquantity ="), "utf-8")
    out = tmp_path / "run.h5"
    with start_recording(car, trip, out, seconds=0.3) as process:
        assert process.wait(60.0) == 0
    assert_unbroken(out, at_least=500)
    with open_run(out) as run:
        (zero,) = run.zeros()
        assert (zero.counts, zero.when) == (-250.0, ZeroTime.SHEET)
        assert math.isnan(zero.u_counts)
        assert run.channels["pull"].values()[0] == pytest.approx(250e-4)


def test_a_zero_at_the_end_and_a_mark_meanwhile(
    tmp_path: Path, sheets: Sheets, listener: Listener
) -> None:
    out = tmp_path / "run.h5"
    with start_recording(*sheets, out, seconds=0.3, zero_after=1.5, report=listener) as process:
        session = process.session
        listener.wait(ZeroBegins)
        mark = session.mark("remark", time.monotonic_ns(), "standing")
        assert mark.t_s >= 0.3
        assert process.wait(60.0) == 0
    with open_run(out) as run:
        (zero,) = run.zeros()
        assert zero.when is ZeroTime.AFTER
        assert zero.t_s == pytest.approx(0.3 + 0.75, abs=0.3)
        assert [m.value for m in run.marks()] == ["standing"]
