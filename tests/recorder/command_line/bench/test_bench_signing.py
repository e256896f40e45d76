"""``bench key``, ``bench sign``, ``bench verify --key``: a laboratory signs its certificates."""

from __future__ import annotations

import json
import stat
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    PrivateFormat,
)

from calibration.certificates.certificate import (
    document_digest,
    dump_certificate,
    load_document,
)
from calibration.certificates.signature import key_of, public_text
from recorder.command_line.main import main
from recorder.run.values.certificate_standing import PROVES
from tests.calibration.made_certificates import made, simple

PASSPHRASE = "four words of nothing"
KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))


@pytest.fixture(autouse=True)
def passphrase(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TESTCAR_KEY_PASSPHRASE", PASSPHRASE)


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    """A key of the laboratory, ``lab.key`` and ``lab.pub``; quick to open."""
    lock = BestAvailableEncryption(PASSPHRASE.encode())
    path = tmp_path / "lab.key"
    path.write_bytes(KEY.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, lock))
    (tmp_path / "lab.pub").write_text(public_text(key_of(KEY.public_key())))
    return path


@pytest.fixture
def certificate(tmp_path: Path) -> Path:
    path = tmp_path / "cell.json"
    path.write_text(dump_certificate(made(reference_U_pct=0.02)), "utf-8")
    return path


def one_line(capsys: pytest.CaptureFixture[str]) -> str:
    told = capsys.readouterr()
    (line,) = told.err.splitlines()
    assert line.startswith("testcar bench: ")
    return line


def spoil(path: Path, factor: float = 1.05) -> None:
    document = load_document(path)
    document["curve"]["tension"][1] *= factor
    document["digest"] = document_digest(document)
    path.write_text(json.dumps(document), "utf-8")


@pytest.mark.slow
def test_a_key_is_made_signs_and_is_verified(
    tmp_path: Path, certificate: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    key, public = tmp_path / "ours.key", tmp_path / "ours.pub"
    assert main(["bench", "key", "--out", str(key)]) == 0
    told = capsys.readouterr().out
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert "ENCRYPTED PRIVATE KEY" in key.read_text()
    fingerprint = told.splitlines()[-1].removeprefix("fingerprint: ")
    assert fingerprint in public.read_text()
    assert main(["bench", "sign", str(certificate), "--key", str(key)]) == 0
    assert f"key: {fingerprint}" in capsys.readouterr().out
    assert main(["bench", "verify", str(certificate), "--key", str(public)]) == 0
    told = capsys.readouterr().out
    assert "digest and every figure agree" in told
    assert f"signed by ours.pub, key {fingerprint}" in told
    assert PROVES in told
    # Neither key nor signature is ever written over.
    assert main(["bench", "key", "--out", str(key)]) == 2
    assert "never overwritten" in one_line(capsys)
    assert main(["bench", "sign", str(certificate), "--key", str(key)]) == 2
    assert "never overwritten" in one_line(capsys)


def test_a_certificate_that_is_not_its_readings_is_not_signed(
    certificate: Path, lab: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil(certificate)
    assert main(["bench", "sign", str(certificate), "--key", str(lab)]) == 2
    assert "not signed: its own readings do not give it: curve.tension[1]" in one_line(capsys)
    assert not certificate.with_name("cell.json.sig").exists()


def test_a_damaged_certificate_is_not_signed(
    certificate: Path, lab: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    certificate.write_text(certificate.read_text("utf-8").replace("500.0", "501.0", 1), "utf-8")
    assert main(["bench", "sign", str(certificate), "--key", str(lab)]) == 2
    assert "damaged or edited" in one_line(capsys)


def test_one_without_readings_is_signed_and_said_not_provable(
    tmp_path: Path, lab: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "plain.json"
    path.write_text(dump_certificate(simple()), "utf-8")
    assert main(["bench", "sign", str(path), "--key", str(lab)]) == 0
    assert "not provable: it holds no readings" in capsys.readouterr().out
    public = str(lab.with_suffix(".pub"))
    assert main(["bench", "verify", str(path), "--key", public]) == 0
    told = capsys.readouterr().out
    assert "holds no readings" in told
    assert "signed by lab.pub" in told
    assert main(["bench", "verify", str(path)]) == 2
    assert "holds no readings" in one_line(capsys)


def test_changed_after_it_was_signed_is_told(
    certificate: Path, lab: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["bench", "sign", str(certificate), "--key", str(lab)]) == 0
    spoil(certificate)
    capsys.readouterr()
    words = ["bench", "verify", str(certificate), "--key", str(lab.with_suffix(".pub"))]
    assert main(words) == 1
    told = capsys.readouterr().out
    assert "curve.tension[1]" in told
    assert "the certificate was changed" in told
    assert main([*words, "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert answer["agrees"] is False
    assert answer["signature"] == ""
    assert any("the certificate was changed" in line for line in answer["differences"])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--signature", "x.sig"], "--signature needs --key"),
        (["--key", "none.pub"], "none.pub: No such file"),
        (["--key", "lab.pub"], "cell.json.sig: No such file"),
        (["--key", "lab.pub", "--signature", "none"], "none: No such file"),
    ],
)
def test_wrong_use_is_one_line(
    certificate: Path,
    lab: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    options: list[str],
    words: str,
) -> None:
    monkeypatch.chdir(lab.parent)
    assert main(["bench", "verify", certificate.name, *options]) == 2
    assert words in one_line(capsys)


@pytest.mark.parametrize("data", [b"", b"x" * 20_000, b"\xff\xfe", b"-----BEGIN", b"{}"])
@pytest.mark.parametrize("place", ["lab.pub", "cell.json.sig", "lab.key"])
def test_hostile_files_are_one_line(
    certificate: Path, lab: Path, capsys: pytest.CaptureFixture[str], data: bytes, place: str
) -> None:
    if place == "lab.key":
        lab.write_bytes(data)
        assert main(["bench", "sign", str(certificate), "--key", str(lab)]) == 2
        assert "lab.key: " in one_line(capsys)
        return
    assert main(["bench", "sign", str(certificate), "--key", str(lab)]) == 0
    capsys.readouterr()
    (lab.parent / place).write_bytes(data)
    key = str(lab.with_suffix(".pub"))
    assert main(["bench", "verify", str(certificate), "--key", key]) == 1
    told = capsys.readouterr()
    (line,) = told.out.splitlines()
    assert place in line


def test_a_wrong_passphrase_is_one_line(
    certificate: Path,
    lab: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("TESTCAR_KEY_PASSPHRASE", "another one")
    assert main(["bench", "sign", str(certificate), "--key", str(lab)]) == 2
    assert "the passphrase is wrong" in one_line(capsys)


def test_without_a_person_to_ask_the_variable_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("TESTCAR_KEY_PASSPHRASE")
    with (tmp_path / "nobody").open("w+") as nobody:
        monkeypatch.setattr("sys.stdin", nobody)
        assert main(["bench", "key", "--out", str(tmp_path / "lab.key")]) == 2
    assert "set TESTCAR_KEY_PASSPHRASE" in one_line(capsys)
    monkeypatch.setenv("TESTCAR_KEY_PASSPHRASE", "short")
    assert main(["bench", "key", "--out", str(tmp_path / "lab.key")]) == 2
    assert "at least 10" in one_line(capsys)
    assert main(["bench", "key", "--out", str(tmp_path / "lab.pub")]) == 2
    assert "call it lab.key" in one_line(capsys)
    assert not list(tmp_path.glob("lab.*"))


@pytest.mark.slow
def test_a_key_that_cannot_be_written_leaves_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["bench", "key", "--out", str(tmp_path / "no" / "lab.key")]) == 2
    assert "cannot be written: No such file" in one_line(capsys)


def test_a_key_whose_making_was_cut_off_is_finished_by_the_same_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The private key was there, the public one not yet."""
    monkeypatch.setenv("TESTCAR_KEY_PASSPHRASE", "long enough to be one")
    words = ["bench", "key", "--out", str(tmp_path / "lab.key")]
    assert main(words) == 0
    whole, told = (tmp_path / "lab.pub").read_bytes(), capsys.readouterr().out
    (tmp_path / "lab.pub").unlink()
    assert main(words) == 0
    assert (tmp_path / "lab.pub").read_bytes() == whole
    assert capsys.readouterr().out == told
    assert main(words) == 2
    assert "never overwritten" in capsys.readouterr().err
