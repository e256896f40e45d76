"""The request for a time stamp, held against OpenSSL: read by it, and answered by an authority."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
from pathlib import Path

import pytest

from recorder.exchange.time_stamp import request_for, write_request

pytestmark = pytest.mark.skipif(
    shutil.which("openssl") is None,
    reason="openssl is not on this computer: nothing else reads or answers a request",
)

AUTHORITY = """
[ req ]
distinguished_name = name
x509_extensions = stamping
prompt = no
[ name ]
CN = Witness of a test
[ stamping ]
extendedKeyUsage = critical, timeStamping
basicConstraints = critical, CA:TRUE
[ tsa ]
default_tsa = here
[ here ]
serial = serial
crypto_device = builtin
signer_cert = ca.pem
certs = ca.pem
signer_key = ca.key
signer_digest = sha256
default_policy = 1.2.3.4.1
digests = sha256
"""


def openssl(folder: Path, *words: str, ends: int = 0) -> str:
    done = subprocess.run(
        ["openssl", *words], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == ends, done.stderr
    return done.stdout + done.stderr


@pytest.mark.parametrize("nonce", [bytes(8), b"\xff" * 8, b"\x00\x80" * 4])
def test_it_is_read_by_another_program(nonce: bytes, tmp_path: Path) -> None:
    digest = hashlib.sha256(b"run").digest()
    (tmp_path / "x.tsq").write_bytes(request_for(digest, nonce))
    told = openssl(tmp_path, "ts", "-query", "-in", "x.tsq", "-text")
    assert "Version: 1" in told
    assert "Hash Algorithm: sha256" in told
    assert "Certificate required: yes" in told
    assert f"Nonce: 0x01{nonce.hex().upper()}" in told
    again = openssl(tmp_path, "asn1parse", "-inform", "DER", "-in", "x.tsq")
    assert digest.hex().upper() in again


def test_an_authority_answers_it_and_the_answer_holds_for_this_file_alone(
    tmp_path: Path,
) -> None:
    run = tmp_path / "run.h5"
    run.write_bytes(b"all bytes of a run, signature and closing line among them")
    assert write_request(run) == tmp_path / "run.h5.tsq"
    (tmp_path / "tsa.cnf").write_text(AUTHORITY)
    (tmp_path / "serial").write_text("01")
    openssl(
        tmp_path, "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
        "-nodes", "-keyout", "ca.key",
        "-out", "ca.pem", "-days", "2", "-config", "tsa.cnf",
    )  # fmt: skip
    openssl(
        tmp_path, "ts", "-reply", "-queryfile", "run.h5.tsq", "-out", "run.h5.tsr",
        "-config", "tsa.cnf",
    )  # fmt: skip
    check = ("ts", "-verify", "-in", "run.h5.tsr", "-CAfile", "ca.pem")
    assert "Verification: OK" in openssl(tmp_path, *check, "-data", "run.h5")
    assert "Verification: OK" in openssl(tmp_path, *check, "-queryfile", "run.h5.tsq")
    run.write_bytes(b"another run")
    openssl(tmp_path, *check, "-data", "run.h5", ends=1)


def test_a_request_under_way_is_not_overwritten(tmp_path: Path) -> None:
    run = tmp_path / "run.h5"
    run.write_bytes(b"x")
    first = write_request(run).read_bytes()
    with pytest.raises(FileExistsError):
        write_request(run)
    assert (tmp_path / "run.h5.tsq").read_bytes() == first
