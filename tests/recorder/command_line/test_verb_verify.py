"""``testcar verify --deep``: what is proved, not proved, contradicted, and beyond proof."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import h5py
import pytest

from recorder.command_line.main import main
from recorder.run.values.certificate_standing import PROVES
from tests.recorder.run_file.proof.honest_run import harmed, honest_run, sealed_as
from tests.recorder.signed_runs import OTHER, signed_header, signed_run

HEADINGS = (
    "Proved",
    "Could not be proved",
    "Contradicted",
    "What nobody can prove from the file alone",
)


@pytest.fixture
def run(tmp_path: Path) -> Path:
    return sealed_as(honest_run(), tmp_path / "run.h5")


def _a_value(file: h5py.File) -> None:
    file["devices/cell/pull"][7000] += 0.01


def test_an_honest_run_is_told_in_groups(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", "--deep", str(run)]) == 0
    out, err = capsys.readouterr()
    lines = out.splitlines()
    assert lines[0] == "not signed by any key"
    assert lines[1].startswith("proved by the digest: ")
    assert [line for line in lines[2:] if not line.startswith((" ", str(run)))] == [
        HEADINGS[0], HEADINGS[1], HEADINGS[3],
    ]  # fmt: skip
    assert lines[-1] == f"{run}: nothing contradicts it"
    assert "values made again, pull: 23,850 values and flags are the same" in out
    assert "not made anew together" in out
    assert err == ""


def test_a_changed_value_is_one_contradiction(
    run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    harmed(run, _a_value)
    assert main(["verify", str(run)]) == 0
    capsys.readouterr()
    assert main(["verify", "--deep", str(run)]) == 1
    lines = capsys.readouterr().out.splitlines()
    at = lines.index(HEADINGS[2])
    assert lines[at + 1].startswith("  values made again, pull: record 7,000 ")
    assert lines[at + 2] == HEADINGS[3]
    assert lines[-1] == f"{run}: 1 contradiction"


def test_programs_get_the_same(run: Path, capsys: pytest.CaptureFixture[str]) -> None:
    harmed(run, _a_value)
    assert main(["verify", "--deep", "--json", str(run)]) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["sound"], told["findings"], told["contradicted"]) == (True, [], True)
    states = {(p["check"], p["of"]): p["state"] for p in told["proofs"]}
    assert states["values made again", "pull"] == "contradicted"
    assert states["digests", ""] == "proved"
    assert states["counts against gaps", "gnss"] == "not proved"
    assert set(states.values()) == {"proved", "not proved", "contradicted"}
    assert told["beyond"]


def test_a_damaged_file_is_contradicted_and_no_file_is_wrong_use(
    run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    raw = bytearray(run.read_bytes())
    raw[len(raw) // 2] ^= 1
    run.write_bytes(raw)
    assert main(["verify", "--deep", str(run)]) == 1
    told = capsys.readouterr().out
    assert "digests: damaged" in told
    assert "proved by the digest" not in told
    assert "not signed" not in told
    run.write_bytes(b"not a run")
    assert main(["verify", "--deep", str(run)]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_certificates_are_said_whose_they_are_and_who_signed_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = signed_run(tmp_path / "signed.h5", signed_header())
    assert main(["verify", str(run)]) == 0
    told = capsys.readouterr().out
    assert "certificate F-1: of serial '4711', as the car sheet names; signed by Works" in told
    assert PROVES in told
    assert main(["verify", "--json", str(run)]) == 0
    (serial, signature) = json.loads(capsys.readouterr().out)["certificates"]["F-1"]
    assert (serial["asked"], signature["standing"]) == ("serial", "good")


@pytest.mark.parametrize(
    ("made_so", "words"),
    [
        ({"signed_by": OTHER}, "certificate F-1: its signature: by a key"),
        ({"named": "4712"}, "certificate F-1: it is of serial '4711'"),
    ],
)
def test_a_certificate_of_another_or_falsely_signed_is_not_sound(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], made_so: dict[str, Any], words: str
) -> None:
    run = signed_run(tmp_path / "signed.h5", signed_header(**made_so))
    assert main(["verify", str(run)]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert words in line


@pytest.mark.slow
def test_whose_the_keys_are_is_beyond_the_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = signed_run(tmp_path / "signed.h5", signed_header())
    # A cell alone shows no speed, which is doubted.
    assert main(["verify", "--deep", str(run)]) == 1
    told = capsys.readouterr().out
    assert "that the readings in the certificates were taken" in told
    assert "that the keys in the file are those of Works laboratory" in told
