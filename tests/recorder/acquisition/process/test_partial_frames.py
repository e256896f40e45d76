"""Frames half sent at either end are accounted for: nothing sent is neither kept nor told."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from recorder.acquisition.preparation.settings import RecordingSettings
from recorder.acquisition.process.recording import record
from recorder.acquisition.process.reports import Progress, RecordingReport
from recorder.acquisition.process.running import StopWish
from recorder.exchange.description import describe, in_words
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.acquisition.conftest import load_cell_frame

SAMPLES = 20
SENT = 42
"""Frames, the half ones at both ends among them."""


class HalfCell:
    """A front end that one joins in the middle of a frame, and leaves in the middle of one."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._left = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="half cell")
        self._thread.start()

    @property
    def port(self) -> str:
        return f"tcp://127.0.0.1:{self._listener.getsockname()[1]}"

    def end(self) -> None:
        self._left.set()
        self._thread.join(10.0)

    def _serve(self) -> None:
        frames = [load_cell_frame(k, SAMPLES * k, 2) for k in range(SENT)]
        frames[0], frames[17], frames[-1] = frames[0][100:], b"", frames[-1][:50]
        with self._listener:
            reader, _ = self._listener.accept()
            with reader:
                reader.sendall(b"".join(frames))
                self._left.wait(60.0)


@pytest.fixture
def half_cell() -> Iterator[HalfCell]:
    made = HalfCell()
    yield made
    made.end()


@pytest.mark.slow
def test_kept_and_lost_and_half_frames_are_what_was_sent(
    tmp_path: Path, half_cell: HalfCell, make_sheets: Callable[..., tuple[Path, Path]]
) -> None:
    car, trip = make_sheets(tmp_path, half_cell.port, silence_limit_s=60.0)
    out = tmp_path / "run.h5"
    settings = RecordingSettings(car_sheet=car, trip_sheet=trip, out=out, zero_seconds=0.0)
    stop = StopWish()

    def report(what: RecordingReport) -> None:
        if isinstance(what, Progress) and what.status.devices["drawbar"].records:
            stop.ask("all came")

    outcome = record(settings, report, stop)
    kept, lost = outcome.records["drawbar"], outcome.lost_records
    assert (kept, lost) == ((SENT - 3) * SAMPLES, SAMPLES)
    assert kept + lost + 2 * SAMPLES == SENT * SAMPLES
    whole = len(load_cell_frame(0, 0, 2))
    assert outcome.partial_bytes == {"drawbar": whole - 100}
    assert outcome.cut_bytes == {"drawbar": 50}
    with open_run(out) as run:
        (told,) = run.events("stop")
        held = describe(run)
    assert told.data["partial_bytes"] == {"drawbar": whole - 100}
    assert told.data["cut_bytes"] == {"drawbar": 50}
    assert held.devices["drawbar"].lost_records == SAMPLES
    words = in_words(held)
    assert f"{whole - 100} bytes of frames cut by the opening or a lost link" in words
    assert "50 bytes of a frame cut by the stop" in words
