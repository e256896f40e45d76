"""The paper of a wheel certificate, from the command line as it is made."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import tomli_w

from calibration.certificates.certificate import document_digest
from recorder.command_line.main import main
from tests.recorder.report.certificate.made_paper import LABORATORY, STANDARD, text_of

WAYS = {
    "tape": ["tape", "2872.1mm", "2872.9mm", "2872.6mm"],
    "rolled": ["rolled", "14.362m", "14.365m", "--revolutions", "5"],
    "mile": ["mile", "33613", "33621", "33609", "--length", "1mi"],
}


def issued(folder: Path, way: str, *more: str) -> Path:
    out = folder / "wheel.json"
    words = ["wheel", *WAYS[way], "--pulses", "60", "--id", "W-7", "--issued", "2026-05-04"]
    assert main([*words, "--out", str(out), *more]) == 0
    return out


@pytest.mark.slow
@pytest.mark.parametrize("way", WAYS)
def test_every_way_verifies_and_has_a_paper(
    way: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "bench.toml"
    facts = {"operator": "C. Third", "laboratory": LABORATORY, "standard": STANDARD}
    sheet.write_text(tomli_w.dumps(facts))
    out = issued(tmp_path, way, "--sheet", str(sheet), "--wheel", "axle 2", "--serial", "77")
    assert main(["wheel", "verify", str(out)]) == 0
    assert "digest and every figure agree" in capsys.readouterr().out
    assert main(["wheel", "pdf", str(out), "--out", str(tmp_path / "w.pdf")]) == 0
    text = text_of((tmp_path / "w.pdf").read_bytes())
    certificate = json.loads(out.read_text())
    for words in (
        "axle 2", "77", "W-7", "2026-05-04", LABORATORY["name"], LABORATORY["customer"],
        STANDARD["traceability"], "C. Third", f"{certificate['circumference_m']:.9g} m / 60",
        "coned tread", "wear until measured again", "page 1 of",
    ):  # fmt: skip
        assert words in text, words
    head, _, missing = text.partition("Not stated")
    assert "place" in missing
    # Standards of force and forces are no matter of a wheel.
    for words in ("ISO 376", "E74", "applied force"):
        assert words not in text
    assert "Serial number 77" in head


def test_a_figure_that_does_not_follow_fails_verify_and_gets_no_paper(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = issued(tmp_path, "tape")
    document = json.loads(out.read_text())
    document["circumference_m"] *= 1.01
    document["digest"] = document_digest(document)
    out.write_text(json.dumps(document))
    capsys.readouterr()
    assert main(["wheel", "verify", str(out), "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert not answer["agrees"]
    assert answer["differences"][0].startswith("circumference_m")
    assert main(["wheel", "pdf", str(out), "--out", str(tmp_path / "w.pdf")]) != 0
    assert "nothing is laid out for signing" in capsys.readouterr().err
    assert not (tmp_path / "w.pdf").exists()


def test_damage_and_another_kind_are_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = issued(tmp_path, "tape")
    out.write_text(out.read_text().replace("W-7", "W-8"))
    assert main(["wheel", "verify", str(out)]) == 1
    assert "digest" in capsys.readouterr().out
    assert main(["wheel", "pdf", str(out), "--out", str(tmp_path / "w.pdf")]) != 0
    assert main(["bench", "pdf", str(out), "--out", str(tmp_path / "w.pdf")]) != 0
    assert "of kind 'wheel', not 'force'" in capsys.readouterr().err


def test_a_sheet_that_does_not_read_is_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "bench.toml"
    sheet.write_text('[laboratory]\nnames = "x"\n')
    words = ["wheel", *WAYS["tape"], "--pulses", "60", "--id", "W-7", "--sheet", str(sheet)]
    assert main(words) == 2
    told = capsys.readouterr().err
    assert "laboratory.names" in told
    assert told.count("\n") == 1
