"""Detached signatures: what is signed, by whom, and that nothing else passes."""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
from pathlib import Path
from typing import Any, Final

import pytest
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1
from cryptography.hazmat.primitives.asymmetric.ec import generate_private_key as ec_key
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from hypothesis import given, settings
from hypothesis import strategies as st

from calibration.certificates.certificate import (
    canonical_bytes,
    dump_certificate,
    parse_document,
)
from calibration.certificates.signature import (
    MAX_BYTES,
    LaboratoryKey,
    SignatureError,
    check_signature,
    key_of,
    public_text,
    read_public_key,
    read_small_file,
    sign_document,
)
from tests.calibration.made_certificates import simple

KEY = Ed25519PrivateKey.from_private_bytes(bytes(range(32)))
OTHER = Ed25519PrivateKey.from_private_bytes(bytes(range(1, 33)))
TEXT = dump_certificate(simple())
DOCUMENT = parse_document(TEXT)
SIGNATURE = sign_document(DOCUMENT, KEY)


def trusted(**keys: Ed25519PrivateKey) -> dict[str, LaboratoryKey]:
    return {name: key_of(key.public_key()) for name, key in keys.items()}


def test_a_signature_names_the_key_that_made_it() -> None:
    assert check_signature(DOCUMENT, SIGNATURE, trusted(Else=OTHER, Ours=KEY)) == "Ours"


def test_blanks_and_order_of_the_file_are_not_signed_but_every_value_is() -> None:
    again = parse_document(json.dumps(dict(reversed(DOCUMENT.items())), indent=7))
    assert check_signature(again, SIGNATURE, trusted(Ours=KEY)) == "Ours"
    for key in DOCUMENT.keys() - {"digest"}:
        changed = {**DOCUMENT, key: [DOCUMENT[key]]}
        with pytest.raises(SignatureError, match="another certificate, or the certificate was"):
            check_signature(changed, SIGNATURE, trusted(Ours=KEY))


def test_a_signature_by_another_key_is_refused() -> None:
    with pytest.raises(SignatureError, match="that is not trusted; trusted: Else sha256:"):
        check_signature(DOCUMENT, SIGNATURE, trusted(Else=OTHER))


@pytest.mark.parametrize(
    "value", ["", "AA==", base64.b64encode(bytes(64)).decode(), "no base64 !", "é"]
)
def test_a_false_signature_is_refused(value: str) -> None:
    forged = json.dumps({**json.loads(SIGNATURE), "signature": value})
    with pytest.raises(SignatureError, match="did not sign this certificate"):
        check_signature(DOCUMENT, forged, trusted(Ours=KEY))


def test_digest_and_key_named_anew_do_not_make_it_good() -> None:
    changed = {**DOCUMENT, "capacity_kN": 600.0}
    named = json.loads(sign_document(changed, OTHER))
    fingerprint = json.loads(SIGNATURE)["key_fingerprint"]
    forged = json.dumps({**named, "key_fingerprint": fingerprint})
    with pytest.raises(SignatureError, match="did not sign this certificate"):
        check_signature(changed, forged, trusted(Ours=KEY))


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{}",
        "[]",
        "null",
        "nonsense",
        SIGNATURE[:-20],
        "[" * 9_000,
        "x" * (MAX_BYTES + 1),
        SIGNATURE.replace("Ed25519", "none"),
        SIGNATURE.replace('"version": 1', '"version": 2'),
        SIGNATURE.replace('"version": 1', '"version": true'),
        SIGNATURE.replace('"version": 1', '"version": 1.0'),
        SIGNATURE.replace('"sha256:', '["sha256:', 1).replace('",\n "key', '"],\n "key'),
    ],
)
def test_what_is_no_signature_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(SignatureError) as error:
        check_signature(DOCUMENT, text, trusted(Ours=KEY), source="c.sig")
    assert str(error.value).startswith("c.sig: ")
    assert "\n" not in str(error.value)
    assert len(str(error.value)) < 300


@given(st.binary(max_size=400).map(lambda b: b.decode("latin-1")), st.integers(0, 400))
@settings(deadline=None)
def test_any_text_is_refused_not_raised(text: str, at: int) -> None:
    spoilt = SIGNATURE[:at] + text + SIGNATURE[at:]
    for tried in (text, spoilt):
        words = ""
        try:
            check_signature(DOCUMENT, tried, trusted(Ours=KEY))
        except SignatureError as error:
            words = str(error)
        assert "\n" not in words
        # Blanks between, or a field of no meaning, change nothing that is signed.
        good = (
            not words and json.loads(tried)["signature"] == json.loads(SIGNATURE)["signature"]
        )
        assert words or good


# ------------------------------------------------------------------ keys


def test_a_public_key_is_written_and_read_again() -> None:
    key = key_of(KEY.public_key())
    text = public_text(key)
    assert key.fingerprint in text
    assert read_public_key(text, source="lab.pub").fingerprint == key.fingerprint
    bare = text[text.index("-----BEGIN") :]
    assert read_public_key(bare, source="lab.pub").fingerprint == key.fingerprint


def test_a_fingerprint_that_is_not_the_keys_is_refused() -> None:
    other = key_of(OTHER.public_key()).fingerprint
    text = public_text(key_of(KEY.public_key()))
    swapped = text.replace(key_of(KEY.public_key()).fingerprint, other)
    with pytest.raises(SignatureError, match="not the one beside the key"):
        read_public_key(swapped, source="lab.pub")


def pem_of(key: Any) -> str:
    made: bytes = key.public_key().public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo)
    return made.decode()


OURS = pem_of(KEY)


SPOILT: Final = (
    "",
    "nonsense",
    OURS[:40],
    OURS[:-30],
    OURS + OURS,
    OURS.replace("PUBLIC", "PRIVATE"),
    OURS.replace("MCow", "MC w!"),
    OURS.replace("MCow", "MCow" * 2_000),
    pem_of(ec_key(SECP256R1())),
    pem_of(X25519PrivateKey.generate()),
    "-----BEGIN PUBLIC KEY-----\n" * 500,
    "-----BEGIN PUBLIC KEY-----\n-----END PUBLIC KEY-----\n",
)


@pytest.mark.parametrize("text", SPOILT, ids=range(len(SPOILT)))
def test_what_is_no_public_key_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(SignatureError) as error:
        read_public_key(text, source="lab.pub")
    assert str(error.value).startswith("lab.pub: ")
    assert "\n" not in str(error.value)


def test_files_that_are_too_large_or_no_text_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "lab.pub"
    path.write_bytes(b"x" * (MAX_BYTES + 1))
    with pytest.raises(SignatureError, match="larger than 16 KiB"):
        read_small_file(path)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SignatureError, match="not UTF-8"):
        read_small_file(path)
    with pytest.raises(IsADirectoryError, match="is a folder"):
        read_small_file(tmp_path)


# ------------------------------------------------------------------ another implementation


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
def test_openssl_verifies_the_same_bytes_by_the_same_key(tmp_path: Path) -> None:
    """OpenSSL's own command as a second implementation of key, fingerprint and signature."""
    (tmp_path / "lab.pub").write_text(public_text(key_of(KEY.public_key())))
    (tmp_path / "bytes").write_bytes(canonical_bytes(DOCUMENT))
    (tmp_path / "sig").write_bytes(base64.b64decode(json.loads(SIGNATURE)["signature"]))

    def openssl(*words: str) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run(
            ["openssl", "pkeyutl", *words], cwd=tmp_path, capture_output=True, check=False
        )

    words = ("-verify", "-pubin", "-inkey", "lab.pub", "-rawin", "-in", "bytes")
    assert openssl(*words, "-sigfile", "sig").returncode == 0
    (tmp_path / "bytes").write_bytes(canonical_bytes(DOCUMENT) + b" ")
    assert openssl(*words, "-sigfile", "sig").returncode != 0
