"""``testcar zeros``: revisions go to the companion, the file stays, all readers see one run."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from calibration.field.zero_guards import guard_wheel
from recorder.command_line.main import main
from recorder.run.checks.zero_line import Zero, ZeroTime
from recorder.run_file.companion.companion import companion_path
from recorder.run_file.hdf5.live_writer import LiveWriter
from recorder.run_file.hdf5.reader import open_run
from tests.recorder.cell_runs import cell_run
from tests.recorder.made_runs import MadeRun

ROLLED = guard_wheel(400, m_per_pulse=0.005, device="wheel")
GOOD = Zero(channel="pull", t_s=0.0, counts=20_000.0, u_counts=6.0, when=ZeroTime.BEFORE)
BAD = Zero(channel="pull", t_s=10.0, counts=420_000.0, u_counts=6.0)
REFUSED = Zero(
    channel="pull", t_s=15.0, counts=70_000.0, u_counts=30_000.0, accepted=False,
    reason="THE TRAIN MOVED", guards=(ROLLED,),
)  # fmt: skip

Capture = pytest.CaptureFixture[str]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    events = [zero.to_event() for zero in (GOOD, BAD, REFUSED)]
    return cell_run(tmp_path / "run.h5", np.full(2000, 520_000), *events)


def asked(capsys: Capture, *words: str) -> Any:
    capsys.readouterr()
    assert main(["zeros", *words, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def test_they_are_listed_with_what_each_is_worth(path: Path, capsys: Capture) -> None:
    assert main(["zeros", str(path)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines == [
        "zero 1: pull at 0.0 s, before, accepted: 20000.0 counts ± 0.0006 kN, moves the pull by"
        " +40 kN; train at rest: not asked",
        "zero 2: pull at 10.0 s, during, accepted: 420000.0 counts ± 0.0006 kN, moves the pull by"
        " -40 kN; train at rest: not asked",
        "zero 3: pull at 15.0 s, during, REFUSED: 70000.0 counts ± 3 kN, would move the pull by"
        " +35 kN; train at rest: refused; THE TRAIN MOVED",
    ]
    listed = asked(capsys, str(path), "list")
    assert [z["holds"] for z in listed["zeros"]] == [True, True, False]
    assert listed["zeros"][2]["effect_kN"] == pytest.approx(35.0)
    assert not companion_path(path).exists()


def test_a_zero_is_withdrawn_and_restored_beside_the_untouched_file(
    path: Path, capsys: Capture
) -> None:
    sealed, by = path.read_bytes(), ("--by", "A. Crew")
    told = asked(capsys, str(path), "withdraw", "2", "--reason", "coupler was tight", *by)
    assert (told["zero"]["number"], told["zero"]["state"]) == (2, "WITHDRAWN")
    assert (told["zero"]["withdrawn"], told["zero"]["by"]) == ("coupler was tight", "A. Crew")
    assert told["zero"]["revised_utc"]
    with open_run(path) as run:
        assert run.channels["pull"].values() == pytest.approx(50.0)
        (kept,) = run.companion.history("zeros")
        assert (kept.by, kept.version) == ("A. Crew", run.zeros()[1].software)
    assert main(["info", str(path)]) == 0
    assert "WITHDRAWN: 420000.0 counts" in capsys.readouterr().out
    assert main(["zeros", str(path), "restore", "2", "--reason", "it was sound"]) == 0
    assert "zero 2: pull at 10.0 s, during, accepted" in capsys.readouterr().out
    with open_run(path) as run:
        assert run.channels["pull"].values()[-1] == pytest.approx(10.0, abs=1e-4)
    assert path.read_bytes() == sealed


def test_a_refused_zero_is_accepted_with_a_reason(path: Path, capsys: Capture) -> None:
    told = asked(capsys, str(path), "accept", "3", "--reason", "light engine, slack seen")
    assert (told["zero"]["state"], told["zero"]["holds"]) == ("FORCED", True)
    assert told["zero"]["u_kN"] == pytest.approx(3.0)


@pytest.mark.parametrize(
    ("words", "code", "why"),
    [
        (("withdraw", "3", "--reason", "x"), 1, "was refused"),
        (("withdraw", "9", "--reason", "x"), 1, "the run has 3"),
        (("restore", "1", "--reason", "x"), 1, "is not withdrawn"),
        (("accept", "1", "--reason", "x"), 1, "is accepted already"),
        (("withdraw", "1", "--reason", " "), 2, "no reason is given"),
        (("withdraw", "1"), 2, "--reason"),
        (("withdraw", "first", "--reason", "x"), 2, "allowed: a whole number"),
    ],
)
def test_what_cannot_be_done_is_told(
    path: Path, capsys: Capture, words: tuple[str, ...], code: int, why: str
) -> None:
    try:
        found: object = main(["zeros", str(path), *words])
    except SystemExit as wrong:
        found = wrong.code
    assert found == code
    assert why in capsys.readouterr().err
    assert not companion_path(path).exists()


def test_a_run_without_a_zero_says_so(tmp_path: Path, capsys: Capture) -> None:
    path = cell_run(tmp_path / "run.h5", np.zeros(200))
    assert main(["zeros", str(path)]) == 0
    assert "no zero was taken" in capsys.readouterr().out


def test_of_a_run_that_is_not_sealed_none_is_denied(
    tmp_path: Path, made: MadeRun, capsys: Capture
) -> None:
    path = tmp_path / "run.h5"
    with LiveWriter(path, made.header) as writer:
        writer.add_events([replace(GOOD, reason="w" * 900).to_event()])
    assert main(["zeros", str(path)]) == 0
    told = capsys.readouterr().out
    assert "no zero was taken" not in told
    assert "is not sealed: its zeros are told in full once it is" in told
    assert asked(capsys, str(path)) == {"run": str(path), "sealed": False, "zeros": []}
