"""A wheel certificate worked out again from what was measured."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from calibration.certificates.certificate import CertificateError, load_certificate
from calibration.certificates.wheel import WheelCertificate, WheelPart, combined_u_m
from calibration.evaluation.verify_wheel import verify_wheel
from recorder.command_line.main import main

WAYS = {
    "tape": ["tape", "2872.1mm", "2872.9mm", "2872.6mm"],
    "diameter": ["tape", "36in", "36-1/64in", "--diameter"],
    "rolled": ["rolled", "14.362m", "14.365m", "--revolutions", "5"],
    "mile": ["mile", "33613", "33621", "33609", "--length", "1mi", "--reaction-s", "0.2",
             "--seconds", "90"],
}  # fmt: skip


def issued(folder: Path, way: str) -> WheelCertificate:
    """A certificate as the command line issues it."""
    out = folder / "wheel.json"
    out.unlink(missing_ok=True)
    common = ["--pulses", "60", "--id", "W-7", "--issued", "2026-05-04", "--out", str(out)]
    assert main(["wheel", *WAYS[way], *common]) == 0
    certificate = load_certificate(out)
    assert isinstance(certificate, WheelCertificate)
    return certificate


@pytest.mark.parametrize("way", WAYS)
def test_a_sound_certificate_verifies(
    way: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert verify_wheel(issued(tmp_path, way), source="w") == []
    capsys.readouterr()


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(way=st.sampled_from(sorted(WAYS)), share=st.floats(1e-6, 1e-2), data=st.data())
def test_any_figure_that_does_not_follow_is_found(
    way: str,
    share: float,
    data: st.DataObject,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    sound = issued(tmp_path, way)
    capsys.readouterr()
    name = data.draw(
        st.sampled_from(
            ["circumference_m", "u_circumference_m", "part", *sorted(sound.details)]
        )
    )
    if name == "part":
        first, *rest = sound.parts
        wrong = replace(sound, parts=(replace(first, u_m=first.u_m * (1 + share)), *rest))
    elif name in sound.details:
        details = {**sound.details, name: sound.details[name] * (1 + share)}
        wrong = replace(sound, details=details)
    else:
        wrong = replace(sound, **{name: getattr(sound, name) * (1 + share)})
    assert verify_wheel(wrong, source="w") != []


@pytest.mark.parametrize("way", ["tape", "diameter", "rolled"])
def test_a_budget_without_the_scatter_that_was_measured_is_found(
    way: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sound = issued(tmp_path, way)
    capsys.readouterr()
    parts = tuple(part for part in sound.parts if part.cause != "repeatability")
    assert len(parts) < len(sound.parts)
    bare = replace(sound, parts=parts, u_circumference_m=combined_u_m(parts))
    (found,) = verify_wheel(bare, source="w")
    assert found.startswith("budget, repeatability: stated 'nothing'")


def test_measurements_that_cannot_be_are_found_not_raised(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sound = issued(tmp_path, "rolled")
    capsys.readouterr()
    for name, value in (("revolutions", 0.0), ("length_1_m", -1.0), ("length_1_m", 99.0)):
        wrong = replace(sound, details={**sound.details, name: value})
        (found,) = verify_wheel(wrong, source="w")
        assert found.startswith("measurements: ")


def test_what_was_only_stated_cannot_be_worked_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sound = issued(tmp_path, "tape")
    capsys.readouterr()
    for bare in (replace(sound, method="stated"), replace(sound, details={})):
        with pytest.raises(CertificateError, match="holds no measurements"):
            verify_wheel(bare, source="w")
    lone = replace(sound, parts=(*sound.parts, WheelPart(cause="more", u_m=0.01)))
    assert "u_circumference_m" in verify_wheel(lone, source="w")[0]
