"""Detached signatures of certificates by a key of the laboratory: Ed25519 (RFC 8032).

Signed are the canonical bytes of the certificate's document, the very bytes whose SHA-256 is its
digest (``certificate.canonical_bytes``): every field but the digest itself, whatever the file's
own blanks and order. A signature file is a JSON object beside the certificate::

    {"format": "testcar-signature", "version": 1, "algorithm": "Ed25519",
     "certificate_digest": "sha256:…", "key_fingerprint": "sha256:…", "signature": "base64"}

Only the 64 bytes of ``signature`` are evidence; digest and fingerprint say which certificate and
which key are meant. A key's fingerprint is SHA-256 over its SubjectPublicKeyInfo in DER, as
``openssl pkey -pubin -outform DER | sha256sum`` gives it.

A good signature shows that the holder of the key issued the certificate as it is; not that the
readings in it were taken, nor that the key is the laboratory's: that is known by its fingerprint.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from calibration.certificates.certificate import (
    CertificateError,
    canonical_bytes,
    document_digest,
)

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from calibration.quantities.bounded_text import bounded_json, read_bounded_text

__all__ = [
    "SUFFIX",
    "LaboratoryKey",
    "SignatureError",
    "check_signature",
    "key_of",
    "pem_bytes",
    "public_text",
    "read_public_key",
    "read_small_file",
    "sign_document",
]

SUFFIX: Final = ".sig"
"""After the whole name of the certificate's file."""
FORMAT: Final = "testcar-signature"
VERSION: Final = 1
ALGORITHM: Final = "Ed25519"
MAX_BYTES: Final = 16 * 2**10
"""A signature or a key of this kind takes some two hundred bytes; words may stand beside it."""
SPKI_HEAD: Final = bytes.fromhex("302a300506032b6570032100")
"""What stands before the 32 bytes of an Ed25519 public key in DER (RFC 8410)."""
NEITHER: Final = (
    "no key and no signature; give the file as testcar bench key or testcar bench sign made it"
)
PEM_PUBLIC: Final = "PUBLIC KEY"
PRIVATE_BEGINS: Final = re.compile(r"-----BEGIN (\w+ )?PRIVATE KEY-----")
FINGERPRINT: Final = "fingerprint "


class SignatureError(CertificateError):
    """A signature or key that cannot be used, or does not hold; the text names it first."""


@dataclass(frozen=True, slots=True)
class LaboratoryKey:
    """A public key."""

    fingerprint: str
    """``sha256:…``."""
    key: Ed25519PublicKey


def key_of(key: Ed25519PublicKey) -> LaboratoryKey:
    """The key with its fingerprint."""
    der = key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    return LaboratoryKey("sha256:" + hashlib.sha256(der).hexdigest(), key)


def public_text(key: LaboratoryKey) -> str:
    """What is written beside a private key, to be given away: PEM with the fingerprint above."""
    pem = key.key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).decode("ascii")
    return f"Public key ({ALGORITHM})\n{FINGERPRINT}{key.fingerprint}\n{pem}"


def read_small_file(path: Path) -> str:
    """The text of a key or signature file.

    Raises
    ------
    SignatureError
        Too large, or no text.
    OSError
        It cannot be read.
    """
    return read_bounded_text(path, largest=MAX_BYTES, refused=NEITHER, error=SignatureError)


def pem_bytes(text: str, label: str, *, source: str) -> bytes:
    """What stands in the one PEM block of a text, which must have that label.

    Raises
    ------
    SignatureError
        No block, several, another label, or no base64.
    """
    begin, end = f"-----BEGIN {label}-----", f"-----END {label}-----"
    wanted = f"a key as testcar bench key makes it has one block {begin}"
    if len(text) > MAX_BYTES or text.count("-----BEGIN ") != 1 or text.count(begin) != 1:
        msg = f"{source}: not the key that is wanted here; {wanted}"
        raise SignatureError(msg)
    body, ended, _ = text.partition(begin)[2].partition(end)
    if not ended:
        msg = f"{source}: damaged key: cut short; {wanted}"
        raise SignatureError(msg)
    try:
        return base64.b64decode("".join(body.split()), validate=True)
    except ValueError as error:  # binascii.Error is one
        msg = f"{source}: damaged key: {error}; {wanted}"
        raise SignatureError(msg) from error


def read_public_key(text: str, *, source: str) -> LaboratoryKey:
    """A public key from the text of its file.

    Raises
    ------
    SignatureError
        Not an Ed25519 public key in PEM, or not the one whose fingerprint stands beside it.
    """
    if PRIVATE_BEGINS.search(text):
        msg = (
            f"{source}: this is the private key, which nobody else may have; give the public one"
            " that testcar bench key made beside it, whose name ends in .pub"
        )
        raise SignatureError(msg)
    der = pem_bytes(text, PEM_PUBLIC, source=source)
    if len(der) != len(SPKI_HEAD) + 32 or not der.startswith(SPKI_HEAD):
        msg = f"{source}: a public key of another kind; allowed: {ALGORITHM}"
        raise SignatureError(msg)
    try:
        key = key_of(Ed25519PublicKey.from_public_bytes(der[len(SPKI_HEAD) :]))
    except ValueError as error:
        msg = f"{source}: no point of the curve of {ALGORITHM}: damaged key"
        raise SignatureError(msg) from error
    for line in text.splitlines():
        if line.startswith(FINGERPRINT) and line.removeprefix(FINGERPRINT) != key.fingerprint:
            msg = f"{source}: its fingerprint is {key.fingerprint}, not the one beside the key"
            raise SignatureError(msg)
    return key


def sign_document(document: Mapping[str, Any], key: Ed25519PrivateKey) -> str:
    """The text of the signature file of a certificate's document, one trailing newline."""
    held = {
        "format": FORMAT,
        "version": VERSION,
        "algorithm": ALGORITHM,
        "certificate_digest": document_digest(document),
        "key_fingerprint": key_of(key.public_key()).fingerprint,
        "signature": base64.b64encode(key.sign(canonical_bytes(document))).decode("ascii"),
    }
    return json.dumps(held, indent=1) + "\n"


def check_signature(
    document: Mapping[str, Any],
    text: str,
    keys: Mapping[str, LaboratoryKey],
    *,
    source: str = "signature",
) -> str:
    """The name, in ``keys``, of the key by which the certificate is signed.

    Raises
    ------
    SignatureError
        Of another certificate, by a key that is not among them, false, or no signature at all.
    """
    held = _read(text, source)
    stated, digest = held["certificate_digest"], document_digest(document)
    if stated != digest:
        msg = (
            f"{source}: of another certificate, or the certificate was changed: it signs"
            f" {stated[:19]}…, the certificate has {digest[:19]}…"
        )
        raise SignatureError(msg)
    fingerprint = held["key_fingerprint"]
    name = next((n for n, key in keys.items() if key.fingerprint == fingerprint), None)
    if name is None:
        known = ", ".join(f"{n} {key.fingerprint[:19]}…" for n, key in keys.items()) or "none"
        msg = f"{source}: by a key {fingerprint[:19]}… that is not trusted; trusted: {known}"
        raise SignatureError(msg)
    try:
        value = base64.b64decode(held["signature"], validate=True)
        keys[name].key.verify(value, canonical_bytes(document))
    except (InvalidSignature, binascii.Error, ValueError) as error:
        msg = f"{source}: does not hold: the key of {name} did not sign this certificate"
        raise SignatureError(msg) from error
    return name


def _read(text: str, source: str) -> dict[str, str]:
    """The texts of a signature file."""
    if len(text) > MAX_BYTES:
        msg = f"{source}: not a signature: larger than {MAX_BYTES // 2**10} KiB"
        raise SignatureError(msg)
    try:
        held = bounded_json(text)
    except (ValueError, RecursionError) as error:
        msg = f"{source}: not a signature: the JSON does not read ({error})"
        raise SignatureError(msg) from error
    if not isinstance(held, dict) or held.get("format") != FORMAT:
        msg = f"{source}: not a signature: its format is not {FORMAT!r}"
        raise SignatureError(msg)
    version = held.get("version")
    # True is 1 to Python, and 1.0 as well.
    if type(version) is not int or version != VERSION or held.get("algorithm") != ALGORITHM:
        got = f"version {version!r:.20} by {held.get('algorithm')!r:.40}"
        msg = f"{source}: a signature of {got}; allowed: version {VERSION} by {ALGORITHM}"
        raise SignatureError(msg)
    for name in ("certificate_digest", "key_fingerprint", "signature"):
        if not isinstance(held.get(name), str):
            msg = f"{source}: damaged signature: {name} must be a text"
            raise SignatureError(msg)
    return held
