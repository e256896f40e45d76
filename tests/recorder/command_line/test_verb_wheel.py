"""The wheel verb, as a person at the track side uses it."""

import json
import math
from pathlib import Path

import pytest

from calibration.certificate import load_certificate
from calibration.wheel import WheelCertificate
from recorder.command_line.main import main


def test_tape_makes_a_certificate(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A 36 in wheel is 113.097 in round; 33 612.5 pulses a mile at 60 (computed: 560.2254
    turns).
    """
    out = tmp_path / "w.json"
    around = f"{math.pi * 36:.6f}in"
    words = ["wheel", "--tape", around, around, "--pulses", "60", "--out", str(out)]
    assert main(words) == 0
    held = load_certificate(out)
    assert isinstance(held, WheelCertificate)
    assert 1609.344 / held.m_per_pulse == pytest.approx(60 * 560.2254, rel=1e-6)
    assert "standard uncertainty" in capsys.readouterr().out
    assert main(words) == 2
    assert "w.json" in capsys.readouterr().err


def test_a_measured_mile(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["wheel", "--measured", "1mi", "--counts", "33613.5", "--pulses", "60", "--json"]
    assert main(words) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["circumference_m"] == pytest.approx(2.87267, abs=1e-4)
    assert {p["cause"] for p in told["budget"]} >= {"measured length", "counting"}


@pytest.mark.parametrize(
    "words",
    [
        ["--tape", "banana", "--pulses", "60"],
        ["--rolled", "28m", "--pulses", "60"],
        ["--measured", "1mi", "--pulses", "60"],
        ["--tape", "2.8m", "3.1m", "--pulses", "60"],
        ["--tape", "28m", "--pulses", "60"],
        ["--tape", "2.8m", "--pulses", "0"],
    ],
)
def test_bad_use_is_one_line(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["wheel", *words]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "internal" not in told
