"""A zero withdrawn after the seal: every reader has the pull without it, the file untouched."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.analysis.campaign.loading import load_run
from recorder.run.checks.zero_line import Zero, ZeroTime, current_zeros
from recorder.run.checks.zero_revision import RevisionMade, ZeroEdit, revised_zero
from recorder.run.parts.errors import CompanionError
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run
from tests.recorder.cell_runs import CELL, KN_PER_COUNT, cell_run

GOOD = Zero(channel="pull", t_s=0.0, counts=20_000.0, u_counts=6.0, when=ZeroTime.BEFORE)
BAD = Zero(channel="pull", t_s=100.0, counts=420_000.0, u_counts=6.0)
"""Taken with 40 kN on the coupler."""
COUNTS = np.full(20_000, 520_000)
"""Two hundred seconds at 50 kN."""


def withdrawn(zero: Zero, reason: str = "coupler was tight") -> Zero:
    made = RevisionMade(reason=reason, by="observer 1", utc_ns=7, software="testcar 9")
    return revised_zero(zero, ZeroEdit.WITHDRAW, made)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return cell_run(tmp_path / "run.h5", COUNTS, GOOD.to_event(), BAD.to_event())


def withdraw(path: Path, *zeros: Zero) -> None:
    with open_run(path) as run:
        for zero in zeros:
            run.companion.add_zero_revision(withdrawn(zero))


def test_the_pull_is_worked_from_its_counts_again(path: Path) -> None:
    before = path.read_bytes()
    with open_run(path) as run:
        assert run.channels["pull"].values()[-1] == pytest.approx(10.0, abs=1e-4)
        assert run.amended_channels() == {}
    withdraw(path, BAD)
    with open_run(path) as run:
        channel = run.channels["pull"]
        assert channel.values() == pytest.approx(50.0, abs=1e-9)
        assert channel.values(5, 7) == pytest.approx([50.0, 50.0])
        assert channel.stored_values() == pytest.approx(50.0, abs=1e-4)
        assert [zero.holds for zero in run.zeros()] == [True, False]
        assert run.zeros()[1].withdrawn == "coupler was tight"
    assert path.read_bytes() == before
    assert verify_run(path) == []


def test_so_do_overviews_and_extremes(path: Path) -> None:
    withdraw(path, BAD)
    with open_run(path) as run:
        for bins in (4, 300):
            view = run.overview("pull", 0.0, 200.0, bins)
            for held in (view.minimum, view.mean, view.maximum):
                assert np.nanmin(held) == pytest.approx(50.0, abs=1e-3)
                assert np.nanmax(held) == pytest.approx(50.0, abs=1e-3)
        low, high, _ = run.extremes("pull")
        assert (low, high) == pytest.approx((50.0, 50.0), abs=1e-3)


def test_with_every_zero_withdrawn_the_certificates_own_stands(path: Path) -> None:
    withdraw(path, GOOD, BAD)
    with open_run(path) as run:
        assert run.channels["pull"].values() == pytest.approx(52.0, abs=1e-9)
        assert not any(zero.holds for zero in run.zeros())


def test_out_of_range_is_judged_by_the_force_as_it_is_now(tmp_path: Path) -> None:
    """4 kN past the end of the range with the false zero, 36 kN inside it without."""
    false = Zero(channel="pull", t_s=0.0, counts=-420_000.0, u_counts=6.0)
    path = cell_run(tmp_path / "run.h5", np.full(2000, 4_620_000), false.to_event())
    with open_run(path) as run:
        assert (run.channels["pull"].flags() != 0).all()
    withdraw(path, false)
    with open_run(path) as run:
        assert run.channels["pull"].values()[0] == pytest.approx(462.0)
        assert (run.channels["pull"].flags() == 0).all()


def test_the_figures_are_without_it_and_say_so(path: Path) -> None:
    withdraw(path, BAD)
    with open_run(path) as run:
        loaded = load_run(run)
    assert np.nanmedian(loaded.series.pull_kN) == pytest.approx(50.0, abs=1e-6)
    # One zero alone: what it drifted over 200 s is assumed, and 40 kN of false drift is gone.
    assert 0.25 < loaded.instruments.zero_u_kN < 0.3
    assert any("was withdrawn (coupler was tight)" in note for note in loaded.notes)
    assert any("worked from its counts again" in note for note in loaded.notes)


def test_a_zero_restored_gives_back_what_was_sealed(path: Path) -> None:
    with open_run(path) as run:
        sealed = run.channels["pull"].values()
    withdraw(path, BAD)
    with open_run(path) as run:
        made = RevisionMade(reason="it was sound", by="", utc_ns=8, software="testcar 9")
        run.companion.add_zero_revision(revised_zero(run.zeros()[1], ZeroEdit.RESTORE, made))
    with open_run(path) as run:
        assert np.array_equal(run.channels["pull"].values(), sealed)
        assert run.amended_channels() == {}
        assert [zero.revision for zero in run.zero_revisions()] == [0, 0, 1, 2]


def test_a_withdrawal_on_the_way_is_sealed_in(tmp_path: Path) -> None:
    """Its event is known to the seal: the stored values are without it."""
    events = [zero.to_event() for zero in (GOOD, BAD, withdrawn(BAD))]
    path = cell_run(tmp_path / "run.h5", COUNTS, *events)
    with open_run(path) as run:
        assert run.channels["pull"].values() == pytest.approx(50.0, abs=1e-4)
        assert run.amended_channels() == {}
        assert [zero.holds for zero in run.zeros()] == [True, False]


@pytest.mark.parametrize("data", [3, {}, {"t_s": "x"}, {"t_s": 1.0}, {"t_s": None}])
def test_an_entry_that_does_not_read_is_a_damaged_companion(path: Path, data: object) -> None:
    with open_run(path) as run:
        run.companion.set_result("zeros", data, by="", version="")
    with open_run(path) as run:
        with pytest.raises(CompanionError, match="does not read"):
            run.zeros()
        assert run.companion.findings()


@given(st.lists(st.sampled_from([0, 1]), max_size=6))
def test_whatever_was_revised_in_whatever_order_each_zero_is_there_once(
    order: list[int],
) -> None:
    held = [GOOD, BAD]
    for k in order:
        zero = current_zeros(held)[k]
        edit = ZeroEdit.RESTORE if zero.withdrawn else ZeroEdit.WITHDRAW
        made = RevisionMade(reason="so", by="", utc_ns=1, software="")
        held.append(revised_zero(zero, edit, made))
    found = current_zeros(held)
    assert [zero.t_s for zero in found] == [0.0, 100.0]
    assert [not zero.holds for zero in found] == [order.count(k) % 2 == 1 for k in (0, 1)]


def test_the_certificate_of_these_runs_is_straight() -> None:
    """What the numbers above rest on."""
    assert CELL.to_force(520_000, zero_counts=20_000.0) == pytest.approx(500_000 * KN_PER_COUNT)
