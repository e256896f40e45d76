"""What a sealed run proves of its certificates: whose, worked out again, signed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from recorder.run_file.proof.parts.proof import Check, Proof, State
from recorder.run_file.proof.whole.prove_file import prove_file
from tests.recorder.signed_runs import NAME, OTHER, raised, signed_header, signed_run


def proofs_of(path: Path) -> list[Proof]:
    found = prove_file(path)
    return [p for p in found if p.check is Check.CERTIFICATES and p.of == NAME]


@pytest.mark.slow
def test_serial_readings_and_signature_are_proved_by_the_file_alone(tmp_path: Path) -> None:
    found = proofs_of(signed_run(tmp_path / "run.h5", signed_header()))
    assert [p.state for p in found] == [State.PROVED] * 3
    words = " ".join(p.words for p in found)
    assert "as the car sheet names" in words
    assert "its digest is right; its readings give curve and uncertainty again" in words
    assert "signed by Works laboratory" in words


@pytest.mark.slow
@pytest.mark.parametrize(
    ("made_so", "state", "words"),
    [
        ({"named": "4712"}, State.CONTRADICTED, "the car sheet names '4712'"),
        ({"serial": ""}, State.NOT_PROVED, "states no serial number"),
        ({"before": raised}, State.CONTRADICTED, "curve.tension[1]"),
        ({"signed_by": OTHER}, State.CONTRADICTED, "not trusted"),
        ({"signed_by": None}, State.NOT_PROVED, "has no signature"),
        ({"trusted": False}, State.NOT_PROVED, "no laboratory's key is named"),
    ],
)
def test_what_is_not_as_it_should_be_is_told(
    tmp_path: Path, made_so: dict[str, Any], state: State, words: str
) -> None:
    found = proofs_of(signed_run(tmp_path / "run.h5", signed_header(**made_so)))
    (told,) = [p for p in found if p.state is not State.PROVED]
    assert told.state is state
    assert words in told.words
