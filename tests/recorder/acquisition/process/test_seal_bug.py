"""A seal that fails by a mistake of ours: told as one, the journal kept, the code of a bug."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from recorder.acquisition.preparation.settings import RecordingSettings
from recorder.acquisition.process.main import record_here
from recorder.keeping.errors import SealBugError
from recorder.keeping.filer_process import FilerProcess
from recorder.keeping.seal import recover
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run

if TYPE_CHECKING:
    from tests.recorder.acquisition.conftest import FakeCell


@pytest.mark.slow
def test_a_bug_in_the_seal_of_a_recording(
    tmp_path: Path,
    cell: FakeCell,
    make_sheets: Callable[..., tuple[Path, Path]],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def mistaken(filer: FilerProcess, **_: object) -> None:
        filer.stop()
        msg = "KeyError: 'unheard of'; nothing is lost, the journal J is kept"
        raise SealBugError(msg)

    monkeypatch.setattr(FilerProcess, "seal", mistaken)
    car, trip = make_sheets(tmp_path, cell.port)
    out = tmp_path / "run.h5"
    settings = RecordingSettings(
        car_sheet=car, trip_sheet=trip, out=out, seconds=0.5, zero_seconds=0.0
    )
    outcome = record_here(settings, lambda _report: None)
    assert outcome.exit_code == 2
    assert not outcome.sealed
    assert "internal error: KeyError: 'unheard of'" in outcome.problem
    assert "testcar --debug recover" in outcome.problem
    assert "damaged" not in outcome.problem
    recover(tmp_path / "run.h5.journal", tmp_path / "again.h5")
    assert verify_run(tmp_path / "again.h5") == []
    with open_run(tmp_path / "again.h5") as run:
        assert run.channels["pull"].n == outcome.records["drawbar"] > 0
