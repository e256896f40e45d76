"""``bench pdf``: the paper of those certificates only that ``bench verify`` finds nothing in."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any, Final

import pytest

from calibration.certificates.certificate import (
    document_digest,
    dump_certificate,
    parse_document,
)
from recorder.command_line.main import main
from tests.calibration.bench_tables import iso_csv
from tests.calibration.made_certificates import made

SOUND: Final[dict[str, Any]] = parse_document(
    dump_certificate(
        made(
            iso_csv(noise=40.0, loop=2e-4, bend=0.5),
            reference_U_pct=0.02,
            capacity_kN=500.0,
            certificate_id="F-1",
        )
    )
)


def issued_by_another(tmp_path: Path, change: str = "") -> tuple[Path, Path]:
    """A certificate in a file, changed and with a digest of its own, and where a paper may go."""
    held = copy.deepcopy(SOUND)
    held["software"] = "testcar 9"
    results = held["details"]["results"]
    if change == "class":
        for part in (results, *results["by_sense"].values()):
            part["figures"]["iso376_class"]["value"] = "00"
    elif change == "cautions":
        results["cautions"] = []
    elif change == "statement":
        held["details"]["statement"] = "accredited"
    held["digest"] = document_digest(held)
    path = tmp_path / "cell.json"
    path.write_text(json.dumps(held))
    return path, tmp_path / "cell.pdf"


@pytest.mark.parametrize("change", ["class", "cautions", "statement"])
def test_what_verify_finds_is_never_laid_out(
    change: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, paper = issued_by_another(tmp_path, change)
    assert main(["bench", "verify", str(path)]) == 1
    assert change in capsys.readouterr().out
    assert main(["bench", "pdf", str(path), "--out", str(paper)]) != 0
    told = capsys.readouterr().err
    assert change in told
    assert told.count("\n") == 1
    assert not paper.exists()


@pytest.mark.slow
def test_what_another_version_issued_is_laid_out(tmp_path: Path) -> None:
    path, paper = issued_by_another(tmp_path)
    assert main(["bench", "verify", str(path)]) == 0
    assert main(["bench", "pdf", str(path), "--out", str(paper)]) == 0
    assert paper.read_bytes().startswith(b"%PDF")
