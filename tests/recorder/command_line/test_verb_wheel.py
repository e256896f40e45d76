"""``testcar wheel``: three ways to one certificate, and what it says of wrong use."""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calibration.certificates.certificate import load_certificate
from calibration.certificates.wheel import WheelCertificate
from recorder.command_line.main import main
from recorder.command_line.support.errors import UsageError
from recorder.command_line.verbs.verb_wheel import length_m
from recorder.machine.version import software

if TYPE_CHECKING:
    from pathlib import Path

COMMON = ["--pulses", "60", "--id", "W-7", "--issued", "2026-05-04"]
# 36 in wheel: 2.872672 m around, 560.2254 revolutions a mile (computed from π and the inch).
GIRTH_M = math.pi * 36 * 0.0254


@pytest.mark.parametrize(
    "way",
    [
        ["tape", "2872.672mm", "2872.672mm"],
        ["tape", "36in", "--diameter"],
        ["rolled", "14.36336m", "--revolutions", "5"],
        ["mile", str(560.2254 * 60), "--length", "1mi"],
    ],
    ids=["tape", "diameter", "rolled", "mile"],
)
def test_each_way_gives_the_wheel(
    way: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "wheel.cert.json"
    assert main(["wheel", *way, *COMMON, "--out", str(out), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    held = load_certificate(out)
    assert isinstance(held, WheelCertificate)
    assert held.circumference_m == pytest.approx(GIRTH_M, abs=2e-6)
    assert held.pulses_per_revolution == 60
    assert answer["digest"] == held.digest
    assert answer["software"] == held.software == software()
    assert answer["derived"]["revolutions_per_mile"] == pytest.approx(560.2254, abs=1e-3)
    assert answer["derived"]["m_per_pulse"] * 1000 == pytest.approx(47.87787, abs=1e-4)
    budget = math.hypot(*(row["u_m"] for row in answer["budget"]))
    assert held.u_circumference_m == pytest.approx(budget, rel=1e-12)
    assert 0.0003 < held.u_circumference_m / held.circumference_m < 0.002


def test_for_people(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["wheel", "tape", "113-1/8in", *COMMON, "--curve-radius", "500m"]) == 0
    told = capsys.readouterr().out
    assert "2873.38 mm" in told
    assert "curves" in told
    assert "wear until measured again" in told


def test_keyed_ends_cost_certainty(capsys: pytest.CaptureFixture[str]) -> None:
    """A hand 0.2 s off at either end of a mile a minute: 0.2·√2/60 = 0.47 %."""
    way = ["wheel", "mile", "33613.5", "--length", "1mi", *COMMON, "--u-count", "0", "--json"]
    assert main([*way, "--reaction-s", "0.2", "--seconds", "60"]) == 0
    rows = {row["cause"]: row["u_m"] for row in json.loads(capsys.readouterr().out)["budget"]}
    assert rows["counting"] / GIRTH_M == pytest.approx(0.2 * math.sqrt(2) / 60, rel=1e-3)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["tape", "113"], "number with its unit"),
        (["tape", "113quid"], "allowed: m, km"),
        (["tape", "1/0in"], "division by zero"),
        (["tape", "2.0m", "2.2m"], "differ by"),
        (["tape", "200m"], "circumference_m must be from 0.3 to 10"),
        (["tape", "2.8m", "--u-tape", "in"], "number with its unit"),
        (["rolled", "14m", "--revolutions", "0"], "above zero"),
        (["rolled", "14m", "--revolutions", "nan"], "above zero"),
        (["mile", "0", "--length", "1mi"], "above zero"),
        (["mile", "inf", "--length", "1mi"], "above zero"),
        (["mile", "33614", "--length", "1mi", "--reaction-s", "0.2"], "--seconds"),
        (["mile", "33614", "--length", "1mi", "--u-count", "-1"], "0 or above"),
        (["tape", "2.8m", "--wear", "1m"], "wear must be"),
        (["tape", "2.8m", "--conicity", "7"], "conicity must be"),
        (["tape", "2.8m", "--curve-radius", "1m"], "curve radius"),
        (["tape", "2.8m", "--expires", "soon"], "YYYY-MM-DD"),
        (["tape", "2.8m", "--expires", "2020-01-01"], "before issued"),
    ],
)
def test_wrong_use_is_one_line(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["wheel", *words, *COMMON]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert said in told.err


def test_a_certificate_is_never_overwritten(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "wheel.cert.json"
    out.write_text("mine")
    assert main(["wheel", "tape", "2.8m", *COMMON, "--out", str(out)]) == 2
    assert "never overwritten" in capsys.readouterr().err
    assert out.read_text() == "mine"


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.text(alphabet="0123456789.-/eEinmft _", max_size=12))
def test_lengths_read_or_are_refused(text: str) -> None:
    try:
        found = length_m(text)
    except UsageError:
        return
    assert math.isfinite(found)
    assert found >= 0.0
