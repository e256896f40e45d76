"""A run file of layout 1, written by the first version, opens and verifies for ever."""

from __future__ import annotations

from pathlib import Path

import pytest

from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run
from tests.recorder.earlier_version import check_contents, expected, sealed_run


def test_a_sealed_run_of_layout_1_verifies_and_holds_what_was_kept(tmp_path: Path) -> None:
    run = sealed_run(tmp_path)
    before = run.read_bytes()
    assert verify_run(run) == []
    with open_run(run) as opened:
        assert opened.complete
        check_contents(opened)
    assert run.read_bytes() == before


def test_its_calibrated_values_are_those_it_was_sealed_with(tmp_path: Path) -> None:
    with open_run(sealed_run(tmp_path)) as opened:
        for name, ends in expected()["values"].items():
            channel = opened.channels[name]
            assert channel.time_s()[[0, -1]].tolist() == ends["t_s"]
            assert channel.values()[[0, -1]].tolist() == pytest.approx(
                ends["value"], nan_ok=True
            )
            assert channel.flags()[[0, -1]].tolist() == ends["flags"]
