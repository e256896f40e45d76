"""No damaged table ends in a traceback, and none silently in a certificate."""

from __future__ import annotations

from pathlib import Path

import pytest

from calibration.certificates.certificate import load_certificate
from calibration.certificates.force import ForceCertificate
from recorder.command_line.main import main
from tests.calibration.readings.damaged_tables import DAMAGES, HARMLESS, SOUND, Damage

STATED = ["--cell", "coupler cell 9", "--reference-U-pct", "0.02", "--issued", "2026-05-04"]


def fit(path: Path, data: bytes) -> tuple[int, ForceCertificate | None]:
    """Exit code and certificate of ``bench fit``, as a person runs it."""
    table, out = path / "readings.csv", path / "cell.json"
    table.write_bytes(data)
    code = main(["bench", "fit", str(table), "--out", str(out), *STATED])
    if not out.exists():
        return code, None
    certificate = load_certificate(out)
    assert isinstance(certificate, ForceCertificate)
    return code, certificate


def test_there_are_as_many_as_were_asked_for() -> None:
    assert len({damage.data for damage in DAMAGES}) == len(DAMAGES) >= 66
    assert len({damage.name for damage in DAMAGES}) == len(DAMAGES)


@pytest.mark.slow
@pytest.mark.parametrize("damage", DAMAGES, ids=lambda damage: str(damage.name))
def test_a_damaged_table_is_one_line_or_a_certificate_that_says_what_is_missing(
    damage: Damage, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, certificate = fit(tmp_path, damage.data)
    err = capsys.readouterr().err
    if damage.certificate:
        assert code == 0, err
        assert certificate is not None
        cautions = certificate.details["results"]["cautions"]
        assert any(damage.words in caution for caution in cautions), cautions
        return
    assert (code, certificate) == (2, None)
    assert err.count("\n") == 1, err
    assert "internal error" not in err
    assert "readings.csv" in err
    assert damage.words in err
    if damage.row is not None:
        named = (f"row {damage.row}:", f"rows {damage.row} ", f"(rows {damage.row} ",
                 f"row {damage.row} ")  # fmt: skip
        assert any(words in err for words in named), err


@pytest.mark.slow
@pytest.mark.parametrize(("name", "data"), HARMLESS, ids=[name for name, _ in HARMLESS])
def test_another_dress_gives_the_same_certificate(
    name: str, data: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "plain").mkdir()
    _, plain = fit(tmp_path / "plain", SOUND.encode())
    code, certificate = fit(tmp_path, data)
    assert code == 0, capsys.readouterr().err
    assert plain is not None
    assert certificate is not None
    assert certificate.tension == plain.tension, name
    cautions = [str(c) for c in certificate.details["results"]["cautions"]]
    assert not any("doubt" in c or "do not show" in c for c in cautions)
