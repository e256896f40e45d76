"""Recordings that cannot begin."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import psutil
import pytest

from recorder.acquisition.preparation.settings import RecordingError
from recorder.acquisition.process.launch import start_recording

if TYPE_CHECKING:
    from tests.recorder.acquisition.conftest import FakeCell


from tests.recorder.acquisition.process.conftest import Sheets

pytestmark = pytest.mark.slow


class TestRefused:
    """What cannot begin is told in one line, and leaves nothing behind."""

    def refused(self, sheets: Sheets, out: Path, **options: Any) -> str:
        here = {p.name for p in out.parent.iterdir()}
        with pytest.raises(RecordingError) as caught:
            start_recording(*sheets, out, **options)
        left = {p.name for p in out.parent.iterdir()} - {"runtime"}
        assert left == here - {"runtime"}
        assert "\n" not in str(caught.value)
        return str(caught.value)

    def test_a_port_that_is_not_there(
        self, tmp_path: Path, make_sheets: Callable[..., Sheets]
    ) -> None:
        sheets = make_sheets(tmp_path, "/dev/none-such")
        words = self.refused(sheets, tmp_path / "run.h5")
        assert words.startswith("drawbar: ")
        assert "/dev/none-such" in words

    def test_nobody_answers(
        self, tmp_path: Path, cell: FakeCell, make_sheets: Callable[..., Sheets]
    ) -> None:
        sheets = make_sheets(tmp_path, cell.port)
        cell.end()
        assert "nothing answers" in self.refused(sheets, tmp_path / "run.h5")

    @pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals")
    def test_a_port_in_use(self, tmp_path: Path, make_sheets: Callable[..., Sheets]) -> None:
        import serial

        main, other = os.openpty()
        try:
            path = os.ttyname(other)
            with serial.Serial(path, exclusive=True):
                words = self.refused(make_sheets(tmp_path, path), tmp_path / "run.h5")
            assert "in use" in words
        finally:
            os.close(main)
            os.close(other)

    def test_a_run_file_that_is_there(self, tmp_path: Path, sheets: Sheets) -> None:
        out = tmp_path / "run.h5"
        out.write_bytes(b"precious")
        assert "never overwritten" in self.refused(sheets, out)
        assert out.read_bytes() == b"precious"

    def test_an_unfinished_journal(self, tmp_path: Path, sheets: Sheets) -> None:
        out = tmp_path / "run.h5"
        journal = tmp_path / "run.h5.journal"
        journal.write_bytes(b"precious")
        assert "testcar recover" in self.refused(sheets, out)
        assert journal.read_bytes() == b"precious"

    def test_a_folder_that_is_not_there(self, tmp_path: Path, sheets: Sheets) -> None:
        with pytest.raises(RecordingError, match="no such folder"):
            start_recording(*sheets, tmp_path / "none" / "run.h5")

    def test_no_room_for_the_planned_hours(self, tmp_path: Path, sheets: Sheets) -> None:
        car, trip = sheets
        text = car.read_text("utf-8")
        car.write_text(text.replace("[recording]", "[recording]\nstop_free_MiB = 1e6"), "utf-8")
        trip.write_text(trip.read_text("utf-8").replace("= 0.1", "= 240"), "utf-8")
        expected = "disk full before the end"
        if psutil.disk_usage(str(tmp_path)).free > 1.5e12:
            pytest.skip("too much room here")
        assert expected in self.refused(sheets, tmp_path / "run.h5")

    def test_a_place_somebody_records_to(self, tmp_path: Path, sheets: Sheets) -> None:
        out = tmp_path / "run.h5"
        with (
            start_recording(*sheets, out),
            pytest.raises(RecordingError, match="another process is recording to it"),
        ):
            start_recording(*sheets, out)

    @pytest.mark.skipif(os.name == "nt" or os.getuid() == 0, reason="root may do anything")
    def test_a_folder_one_may_not_write(self, tmp_path: Path, sheets: Sheets) -> None:
        folder = tmp_path / "shut"
        folder.mkdir(mode=0o500)
        with pytest.raises(RecordingError, match="denied"):
            start_recording(*sheets, folder / "run.h5")
