"""``bench verify`` of a certificate made before the evaluation was of edition 2."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from calibration.certificates.certificate import document_digest
from recorder.command_line.main import main
from tests.calibration.bench_tables import DATA


def test_its_curve_holds_within_its_own_uncertainty_and_it_is_to_be_issued_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cert = tmp_path / "old.json"
    cert.write_text((DATA / "edition_1.cert.json").read_text())
    assert main(["bench", "verify", str(cert)]) == 0
    out = capsys.readouterr().out
    assert "older edition (1)" in out
    assert "issued again" in out
    document = json.loads(cert.read_text())
    document["curve"]["tension"][1] *= 1.02
    document["digest"] = document_digest(document)
    cert.write_text(json.dumps(document))
    assert main(["bench", "verify", str(cert)]) == 1
    assert "beyond the uncertainty" in capsys.readouterr().out
