"""``testcar check``: zero and shunt of a running recording, from the command line."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from calibration.certificates.force_curve import ShuntExpectation
from recorder.acquisition.process.launch import RecordingProcess, start_recording
from recorder.command_line.main import main
from recorder.run.checks.shunt_check import ShuntStep
from recorder.run_file.hdf5.reader import open_run

if TYPE_CHECKING:
    from tests.recorder.acquisition.conftest import FakeCell

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def recording(
    tmp_path: Path,
    cell: FakeCell,
    make_sheets: Callable[..., tuple[Path, Path]],
    make_certificate: Callable[..., Any],
) -> Iterator[RecordingProcess]:
    """A cell that is never shunted, of which 50 000 ± 100 counts of deflection are expected;
    its zero may be off by anything."""
    shunt = ShuntExpectation(deflection_counts=50_000.0, limit_counts=100.0)
    certificate = make_certificate(shunt=shunt, zero_limit_counts=1e7)
    sheets = make_sheets(tmp_path, cell.port, certificate=certificate)
    with start_recording(*sheets, tmp_path / "run.h5") as process:
        yield process


def test_a_zero_is_taken_and_kept(
    recording: RecordingProcess, tmp_path: Path, capsys: Capture
) -> None:
    run = str(tmp_path / "run.h5")
    assert main(["check", "zero", "--seconds", "0.3"]) == 0
    assert capsys.readouterr().out.startswith("pull: zero ")
    assert main(["check", "zero", "--session", run, "--seconds", "0.3", "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["passed"] is True
    (zero,) = answer["zeros"]
    assert (zero["channel"], zero["accepted"], zero["when"]) == ("pull", True, "during")
    assert recording.stop() == 0
    with open_run(run) as file:
        kept = file.zeros()
    assert len(kept) == 2
    assert kept[1].counts == zero["counts"]


def test_a_zero_far_off_is_refused_unless_it_is_forced(
    tmp_path: Path,
    cell: FakeCell,
    make_sheets: Callable[..., tuple[Path, Path]],
    make_certificate: Callable[..., Any],
    capsys: Capture,
) -> None:
    """The bench's zero lies 400 kN away, and no wheel and no receiver tell of the train."""
    certificate = make_certificate(nominal_zero_counts=-4e6)
    sheets = make_sheets(tmp_path, cell.port, certificate=certificate)
    with start_recording(*sheets, tmp_path / "run.h5") as process:
        zero = ["check", "zero", "--seconds", "0.2"]
        assert main(zero) == 1
        said = capsys.readouterr().out
        assert "ZERO REFUSED; OUT OF LIMITS" in said
        assert "NOT KNOWN whether the train stood" in said
        assert process.session.status().zeros == ()
        assert main([*zero, "--force", "cell mounted anew", "--by", "observer 1"]) == 0
        assert 'FORCED: "cell mounted anew"' in capsys.readouterr().out
        assert process.stop() == 0
    with open_run(tmp_path / "run.h5") as run:
        refused, forced = run.zeros()
        assert (refused.accepted, forced.accepted) == (False, True)
        assert (forced.forced, forced.by) == ("cell mounted anew", "observer 1")
        # It may be force, 400 kN of it.
        assert forced.u_counts * 1e-4 > 400.0 / 3**0.5


def test_a_zero_is_withdrawn_and_restored_while_it_records(
    recording: RecordingProcess, tmp_path: Path, capsys: Capture
) -> None:
    """The one before it holds again, at once and in the sealed file."""
    zero, session = ["check", "zero", "--seconds", "0.2"], recording.session
    assert main(zero) == 0
    (first,) = session.status().zeros
    assert main(zero) == 0
    assert main(["check", "zero", "--withdraw", "coupler was tight", "--by", "observer 1"]) == 0
    assert "ZERO WITHDRAWN" in capsys.readouterr().out
    assert [z.t_s for z in session.status().zeros] == [first.t_s]
    assert any("ZERO WITHDRAWN" in words for words in session.status().warnings)
    assert main(["check", "zero", "--restore", "it was sound", "--number", "2"]) == 0
    assert main(["check", "zero", "--withdraw", "both are bad", "--number", "1"]) == 0
    assert main(["check", "zero", "--withdraw", "both are bad", "--number", "1"]) == 2
    assert "is withdrawn already" in capsys.readouterr().err
    for words in (["--withdraw", " "], ["--force", " "], ["--number", "1"]):
        assert main(["check", "zero", *words]) == 2
        assert len(capsys.readouterr().err.splitlines()) == 1
    assert recording.stop() == 0
    with open_run(tmp_path / "run.h5") as run:
        one, two = run.zeros()
        assert (one.holds, two.holds) == (False, True)
        assert (one.withdrawn, two.restored) == ("both are bad", "it was sound")
        channel = run.channels["pull"]
        expected_kN = (channel.counts() - two.counts) * 1e-4
        assert channel.values() == pytest.approx(expected_kN, abs=1e-5)


def test_a_shunt_that_does_nothing_is_exit_code_1(
    recording: RecordingProcess,
    tmp_path: Path,
    capsys: Capture,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO("\n"))
    assert main(["check", "shunt", "--seconds", "0.3", "--json"]) == 1
    said = capsys.readouterr()
    answer = json.loads(said.out)
    assert answer["passed"] is False
    assert answer["check"]["expected_counts"] == 50_000.0
    assert "put the shunt on" in said.err
    assert "take the shunt off" in said.err
    assert recording.stop() == 0
    with open_run(tmp_path / "run.h5") as file:
        opened, shunted = file.shunt_checks()
    assert (opened.step, shunted.step) == (ShuntStep.OPEN, ShuntStep.SHUNTED)
    assert shunted.passed is False
    assert shunted.deflection_counts == answer["check"]["counts"]


def test_the_steps_may_be_taken_apart(recording: RecordingProcess, capsys: Capture) -> None:
    """As a script does that puts the shunt on itself."""
    step = ["check", "shunt", "--seconds", "0.2", "--step"]
    assert main([*step, "shunted"]) == 2
    assert "step open" in capsys.readouterr().err
    assert main([*step, "open"]) == 0
    assert "without the shunt" in capsys.readouterr().out
    assert main([*step, "shunted"]) == 1
    assert "OUT OF LIMITS" in capsys.readouterr().out
    assert recording.stop() == 0


@pytest.mark.usefixtures("recording")
def test_with_nobody_there_no_second_reading_is_taken(
    capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    assert main(["check", "shunt", "--seconds", "0.2"]) == 2
    assert "nobody is there" in capsys.readouterr().err


@pytest.mark.parametrize("check", ["zero", "shunt"])
def test_nothing_to_attach_to_is_one_line(check: str, capsys: Capture) -> None:
    assert main(["check", check]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert line.startswith("testcar check: no recording is running here")
