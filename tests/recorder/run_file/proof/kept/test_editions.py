"""Certificates in a run by the edition they were made by: none is condemned for being old."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

from calibration.certificates.certificate import document_digest
from recorder.run_file.proof.parts.proof import Check, Proof, State
from recorder.run_file.proof.whole.prove_file import prove_file
from tests.calibration.bench_tables import DATA
from tests.recorder.run_file.proof.honest_run import honest_run, sealed_as

EDITION_1 = DATA / "edition_1.cert.json"
NAME = "certs/cell.json"


def proofs_with(text: str, tmp_path: Path) -> list[Proof]:
    """Of the cell's certificate in a run made with it."""
    run = honest_run()
    certificates = {**run.header.certificates, NAME: text}
    made = replace(run, header=replace(run.header, certificates=certificates))
    proofs = prove_file(sealed_as(made, tmp_path / "run.h5"))
    return [p for p in proofs if p.check is Check.CERTIFICATES and p.of == NAME]


def test_one_of_the_first_edition_is_said_to_be_so(tmp_path: Path) -> None:
    found = proofs_with(EDITION_1.read_text(encoding="utf-8"), tmp_path)
    assert State.CONTRADICTED not in {p.state for p in found if "dates" not in p.words}
    words = next(p.words for p in found if p.state is State.NOT_PROVED)
    assert "older edition (1)" in words
    assert "issued again" in words


def test_its_curve_is_held_to_account_all_the_same(tmp_path: Path) -> None:
    document = json.loads(EDITION_1.read_text(encoding="utf-8"))
    document["curve"]["tension"][1] *= 1.02
    document["digest"] = document_digest(document)
    found = proofs_with(json.dumps(document), tmp_path)
    assert any(
        p.state is State.CONTRADICTED and "beyond the uncertainty" in p.words for p in found
    )
