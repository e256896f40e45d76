"""A seal held against intent: by the car's key, which whoever forges a run does not have."""

from __future__ import annotations

import base64
import json
import subprocess
from dataclasses import replace
from pathlib import Path

import h5py
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from calibration.certificates.certificate import document_digest, dump_certificate
from calibration.certificates.private_key import make_private_key
from calibration.certificates.signature import SignatureError, key_of, public_text
from calibration.certificates.signing_key import load_signing_key
from recorder.command_line.main import main
from recorder.keeping.owner import journal_path_for
from recorder.keeping.seal import recover
from recorder.run.parts.block import Block
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.digests import CLOSING_BYTES, closing_line, file_digest
from recorder.run_file.seal.signature import SignedAt, Signer, Standing, signature_of
from recorder.run_file.seal.verify import verify_run
from tests.calibration.made_certificates import made as made_certificate
from tests.recorder.made_runs import MadeRun, cell_blocks, header, load_cell, mark

CAR = '[car]\nname = "Level"\n[recording]\nsigning_key = "car.key"\n'
BEGIN = b"\ntestcar-run signature "


@pytest.fixture
def key() -> Ed25519PrivateKey:
    return Ed25519PrivateKey.generate()


@pytest.fixture
def public(tmp_path: Path, key: Ed25519PrivateKey) -> str:
    """The car's public key, as whoever trusts it has it."""
    path = tmp_path / "car.pub"
    path.write_text(public_text(key_of(key.public_key())))
    return str(path)


def made(factor: float = 1.0) -> MadeRun:
    """A run of a car whose sheet names a key; every count of it times a factor."""
    run_header = replace(header(load_cell()), run_id="6f" * 16, car_sheet=CAR)
    blocks = [_scaled(block, factor) for block in cell_blocks(1.0, rate_hz=200.0)]
    return MadeRun(header=run_header, blocks=blocks, marks=[mark(1.0)])


def _scaled(block: Block, factor: float) -> Block:
    records = block.records.copy()
    records["ch0"] = (records["ch0"] * factor).astype(records["ch0"].dtype)
    return replace(block, records=records)


def sealed(
    path: Path, key: Ed25519PrivateKey | None, factor: float = 1.0, at: SignedAt = SignedAt.STOP
) -> Path:
    """Sealed by the very code that seals every run."""
    journal = journal_path_for(path)
    made(factor).journal(journal)
    recover(journal, path, signer=None if key is None else Signer(key, at))
    return path


def certified(path: Path, key: Ed25519PrivateKey | None, factor: float) -> Path:
    """With a certificate whose every kilonewton is so many, its digest right."""
    document = json.loads(dump_certificate(made_certificate()))
    document["curve"]["tension"] = [factor * c for c in document["curve"]["tension"]]
    document["digest"] = document_digest(document)
    whole = made()
    held = replace(whole.header, certificates={"certs/cell.json": json.dumps(document)})
    journal = journal_path_for(path)
    MadeRun(header=held, blocks=whole.blocks, marks=whole.marks).journal(journal)
    recover(journal, path, signer=None if key is None else Signer(key, SignedAt.STOP))
    return path


def standing_of(path: Path) -> Standing:
    with open_run(path) as run:
        return signature_of(path, run.header.run_id).standing


def line_of(path: Path) -> bytes:
    data = path.read_bytes()[:-CLOSING_BYTES]
    return data[data.rindex(BEGIN) :]


def closed_with(body: bytes, path: Path) -> Path:
    """A file with a closing line that is right, as anybody can make it."""
    path.write_bytes(body)
    with path.open("r+b") as file:
        digest = file_digest(file)
        file.seek(0, 2)
        file.write(closing_line(digest))
    return path


def refused(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["verify", *words]) == 1
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1
    return lines[0]


def test_a_key_that_is_none_is_refused_with_what_to_give(
    tmp_path: Path, key: Ed25519PrivateKey, capsys: pytest.CaptureFixture[str]
) -> None:
    run = str(sealed(tmp_path / "run.h5", key))
    garbage = tmp_path / "garb.pub"
    garbage.write_bytes(b"\xff\xfe\x00")
    assert main(["verify", "--key", str(garbage), run]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert f"{garbage}: row 1 is not UTF-8 text: no key and no signature; give the file" in line
    assert "testcar bench" in line


@pytest.mark.parametrize("passphrase", [None, "a long enough one"])
def test_the_private_key_in_place_of_the_public_one_is_told_so(
    tmp_path: Path,
    key: Ed25519PrivateKey,
    capsys: pytest.CaptureFixture[str],
    passphrase: str | None,
) -> None:
    run = str(sealed(tmp_path / "run.h5", key))
    private = tmp_path / "car.key"
    private.write_bytes(make_private_key(passphrase)[1])
    assert main(["verify", "--key", str(private), run]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert f"{private}: this is the private key, which nobody else may have" in line
    assert "give the public one that testcar bench key made beside it" in line


def test_a_signed_run_holds_and_is_a_run_file_like_any_other(
    tmp_path: Path, key: Ed25519PrivateKey, public: str, capsys: pytest.CaptureFixture[str]
) -> None:
    run = sealed(tmp_path / "run.h5", key)
    assert verify_run(run) == []
    with h5py.File(run, "r") as file:
        assert file.attrs["complete"] == 1
    fingerprint = key_of(key.public_key()).fingerprint
    assert main(["verify", "--key", public, str(run)]) == 0
    told = capsys.readouterr().out
    assert "signed at the stop, " in told
    assert fingerprint in told
    assert "not proved: that the counts are what the cell gave" in told
    assert main(["info", str(run)]) == 0
    assert f"by key {fingerprint}" in capsys.readouterr().out
    assert main(["info", "--json", str(run)]) == 0
    held = json.loads(capsys.readouterr().out)["signature"]
    assert (held["standing"], held["key"], held["signed_at"]) == ("holds", fingerprint, "stop")


def test_what_is_signed_is_checked_by_another_program(
    tmp_path: Path, key: Ed25519PrivateKey, public: str
) -> None:
    """The statement and the key as they stand in the file, by OpenSSL alone."""
    held = json.loads(line_of(sealed(tmp_path / "run.h5", key))[len(BEGIN) :])
    signature = base64.b64decode(held.pop("signature"))
    (tmp_path / "signature").write_bytes(signature)
    text = json.dumps(held, sort_keys=True, separators=(",", ":"))
    (tmp_path / "signed").write_text(text)
    pem = Path(public).read_text()
    (tmp_path / "pem").write_text(pem[pem.index("-----BEGIN") :])
    body = (tmp_path / "run.h5").read_bytes()
    (tmp_path / "body").write_bytes(body[: body.rindex(BEGIN)])
    try:
        found = subprocess.run(
            ["openssl", "pkeyutl", "-verify", "-pubin", "-inkey", "pem", "-rawin",
             "-in", "signed", "-sigfile", "signature"],
            cwd=tmp_path, capture_output=True, text=True, check=False,
        )  # fmt: skip
        digest = subprocess.run(
            ["openssl", "dgst", "-sha256", "-r", "body"],
            cwd=tmp_path, capture_output=True, text=True, check=True,
        )  # fmt: skip
    except FileNotFoundError:
        pytest.skip("openssl is not on this computer: nothing else checks the signature")
    assert found.stdout.strip() == "Signature Verified Successfully"
    assert digest.stdout.split()[0] == held["sha256"]


class TestForged:
    """A pull made ten per cent higher and sealed anew: the digest is right, the key is missing."""

    def test_it_is_sound_by_its_digest_and_that_is_said_to_prove_little(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        forged = sealed(tmp_path / "forged.h5", None, 1.1)
        assert main(["verify", str(forged)]) == 0
        told = capsys.readouterr().out
        assert "NOT SIGNED, though its own car sheet names a signing key" in told
        assert "anybody can change a run and make a new digest" in told

    def test_unsigned(
        self, tmp_path: Path, public: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        forged = sealed(tmp_path / "forged.h5", None, 1.1)
        assert "not signed; it should be by " in refused(capsys, "--key", public, str(forged))

    def test_signed_by_another_key(
        self, tmp_path: Path, public: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        forged = sealed(tmp_path / "forged.h5", Ed25519PrivateKey.generate(), 1.1)
        assert "signed by another key: by " in refused(capsys, "--key", public, str(forged))

    def test_by_the_certificate_and_not_by_the_counts(
        self,
        tmp_path: Path,
        key: Ed25519PrivateKey,
        public: str,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        """The certificate's own digest is made anew too; only the car's key is missing."""
        true = certified(tmp_path / "true.h5", key, 1.0)
        assert main(["verify", "--key", public, str(true)]) == 0
        forged = certified(tmp_path / "forged.h5", None, 1.1)
        assert "not signed; it should be by " in refused(capsys, "--key", public, str(forged))
        body = forged.read_bytes()[:-CLOSING_BYTES] + line_of(true)
        told = refused(capsys, "--key", public, str(closed_with(body, tmp_path / "x.h5")))
        assert told.endswith("the file was changed after it was signed")

    @pytest.mark.parametrize("words", [(), ("--key",)], ids=["no key", "key"])
    def test_with_the_signature_of_the_true_run(
        self,
        words: tuple[str, ...],
        tmp_path: Path,
        key: Ed25519PrivateKey,
        public: str,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        true = sealed(tmp_path / "true.h5", key)
        forged = sealed(tmp_path / "forged.h5", None, 1.1)
        body = forged.read_bytes()[:-CLOSING_BYTES] + line_of(true)
        given = [*words, *([public] if words else [])]
        told = refused(capsys, *given, str(closed_with(body, tmp_path / "x.h5")))
        assert told.endswith(
            "its signature does not hold: the file was changed after it was signed"
        )

    def test_with_another_key_written_over_the_cars(
        self, tmp_path: Path, key: Ed25519PrivateKey, capsys: pytest.CaptureFixture[str]
    ) -> None:
        run = sealed(tmp_path / "run.h5", key)
        data, line = run.read_bytes(), line_of(run)
        held = json.loads(line[len(BEGIN) :])
        other = Ed25519PrivateKey.generate().public_key().public_bytes_raw()
        held["key"] = base64.b64encode(other).decode()
        body = data[: data.rindex(BEGIN)] + BEGIN + json.dumps(held).encode() + b"\n"
        told = refused(capsys, str(closed_with(body, tmp_path / "x.h5")))
        assert told.endswith("the key that it names did not make it")

    @pytest.mark.parametrize("field", ["run_id", "sha256", "signed_utc", "signed_at"])
    def test_no_word_of_what_is_signed_can_be_changed(
        self, field: str, tmp_path: Path, key: Ed25519PrivateKey
    ) -> None:
        run = sealed(tmp_path / "run.h5", key)
        data, line = run.read_bytes(), line_of(run)
        held = json.loads(line[len(BEGIN) :])
        held[field] = "recovery" if field == "signed_at" else held[field][:-1] + "x"
        if field == "sha256":
            held[field] = "0" * 64
        body = data[: data.rindex(BEGIN)] + BEGIN + json.dumps(held).encode() + b"\n"
        assert standing_of(closed_with(body, tmp_path / "x.h5")) is Standing.FALSE

    @pytest.mark.parametrize(
        "line",
        [
            b"{}\n",
            b"[]\n",
            b"5\n",
            b'"x"\n',
            b"nothing\n",
            b'{"signature": 1}\n',
            b"[" * 3000 + b"\n",
        ],
    )
    def test_a_line_that_is_none_is_refused(
        self, line: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        run = sealed(tmp_path / "run.h5", None)
        body = run.read_bytes()[:-CLOSING_BYTES] + BEGIN + line
        told = refused(capsys, str(closed_with(body, tmp_path / "x.h5")))
        assert "its signature does not hold: it does not read" in told

    @pytest.mark.parametrize("field", ["run_id", "sha256", "signed_utc", "signed_at", "key"])
    def test_a_word_that_is_no_text_is_refused(
        self, field: str, tmp_path: Path, key: Ed25519PrivateKey
    ) -> None:
        run = sealed(tmp_path / "run.h5", key)
        data, line = run.read_bytes(), line_of(run)
        held = {**json.loads(line[len(BEGIN) :]), field: 5}
        body = data[: data.rindex(BEGIN)] + BEGIN + json.dumps(held).encode() + b"\n"
        assert standing_of(closed_with(body, tmp_path / "x.h5")) is Standing.FALSE


def test_a_run_signed_at_its_recovery_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run, journal = tmp_path / "run.h5", tmp_path / "run.h5.journal"
    made().journal(journal)
    (tmp_path / "mine.key").touch(0o600)
    own, pem = make_private_key(None)
    (tmp_path / "mine.key").write_bytes(pem)
    words = [str(journal), "--out", str(run), "--sign-with", str(tmp_path / "mine.key")]
    assert main(["recover", *words]) == 0
    capsys.readouterr()
    assert main(["verify", str(run)]) == 0
    told = capsys.readouterr().out
    assert "signed at its recovery, not at the stop, " in told
    assert key_of(own.public_key()).fingerprint in told
    assert "anybody can make a key" in told


class TestPrivateKey:
    """A key that others can read protects nothing, and one that cannot be used is told."""

    @pytest.mark.parametrize("rights", [0o640, 0o604, 0o620, 0o666])
    def test_others_can_read_it(self, rights: int, tmp_path: Path) -> None:
        path = tmp_path / "car.key"
        path.write_bytes(make_private_key(None)[1])
        path.chmod(rights)
        with pytest.raises(SignatureError, match=f"mode {rights:04o}.*chmod 600"):
            load_signing_key(path)

    def test_locked_and_not(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path = tmp_path / "car.key"
        for passphrase in (None, "four words of nothing"):
            made_key, pem = make_private_key(passphrase)
            path.write_bytes(pem)
            path.chmod(0o600)
            if passphrase is not None:
                monkeypatch.delenv("TESTCAR_KEY_PASSPHRASE", raising=False)
                with pytest.raises(SignatureError, match="TESTCAR_KEY_PASSPHRASE"):
                    load_signing_key(path)
                monkeypatch.setenv("TESTCAR_KEY_PASSPHRASE", passphrase)
            opened = load_signing_key(path)
            assert opened.private_bytes_raw() == made_key.private_bytes_raw()
