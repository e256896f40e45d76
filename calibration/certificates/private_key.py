"""The private key of a laboratory: made, kept encrypted, opened with its passphrase.

The file is PEM of an encrypted PKCS #8 key (RFC 5958): PBES2 with PBKDF2 over HMAC-SHA-256 and
AES-256-CBC (RFC 8018), which ``openssl pkey`` opens too. Whoever holds file and passphrase signs in
the laboratory's name; the file alone is of no use to anybody. A key that signs unattended may have
no passphrase (PKCS #8 as it is): then the rights of its file are all that protects it.
"""

from __future__ import annotations

import base64
import os
import textwrap
from typing import Final

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives import hashes, padding
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes
from cryptography.hazmat.primitives.kdf.pbkdf2 import PBKDF2HMAC
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    load_der_private_key,
)

from calibration.certificates.signature import SignatureError, pem_bytes

__all__ = ["LEAST_PASSPHRASE", "is_locked", "make_private_key", "open_private_key"]

LEAST_PASSPHRASE: Final = 10
"""Characters; fewer are tried through in days by whoever gets hold of the file (common
practice)."""
PEM_PRIVATE: Final = "ENCRYPTED PRIVATE KEY"
PEM_BARE: Final = "PRIVATE KEY"
"""Without a passphrase: of a car, which signs with nobody there to type one."""
PBES2: Final = bytes.fromhex("2a864886f70d01050d")
PBKDF2: Final = bytes.fromhex("2a864886f70d01050c")
"""Object identifiers 1.2.840.113549.1.5.13 and .12 (RFC 8018)."""
HMAC_SHA256: Final = bytes.fromhex("2a864886f70d0209")
"""1.2.840.113549.2.9 (RFC 8018)."""
AES_256_CBC: Final = bytes.fromhex("60864801650304012a")
"""2.16.840.1.101.3.4.1.42 (RFC 8018)."""
ROUNDS: Final = 600_000
"""Usual for PBKDF2 with HMAC-SHA-256 (from memory): some tenths of a second to open. The library's
own 2048 would be tried through three hundred times as fast."""
MOST_ROUNDS: Final = 10_000_000
"""Of PBKDF2: some seconds. More would hold the program up, and no key of ours has them."""
_SEQUENCE, _INTEGER, _OCTETS, _NULL, _IDENTIFIER = 0x30, 0x02, 0x04, 0x05, 0x06


def make_private_key(passphrase: str | None) -> tuple[Ed25519PrivateKey, bytes]:
    """A new key, and the bytes of its file; None: not locked by a passphrase.

    Raises
    ------
    SignatureError
        The passphrase is too short to protect it.
    """
    if passphrase is None:
        bare_key = Ed25519PrivateKey.generate()
        pem = bare_key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
        return bare_key, pem
    if len(passphrase) < LEAST_PASSPHRASE:
        msg = (
            f"passphrase: {len(passphrase)} characters; at least {LEAST_PASSPHRASE} are needed,"
            " say four words that have nothing to do with each other"
        )
        raise SignatureError(msg)
    key = Ed25519PrivateKey.generate()
    bare = key.private_bytes(Encoding.DER, PrivateFormat.PKCS8, NoEncryption())
    body = base64.b64encode(_locked(bare, passphrase.encode())).decode("ascii")
    lines = [f"-----BEGIN {PEM_PRIVATE}-----", *textwrap.wrap(body, 64)]
    return key, "\n".join([*lines, f"-----END {PEM_PRIVATE}-----", ""]).encode("ascii")


def _locked(bare: bytes, passphrase: bytes) -> bytes:
    """EncryptedPrivateKeyInfo in DER."""
    salt, start = os.urandom(16), os.urandom(16)
    lock = PBKDF2HMAC(hashes.SHA256(), 32, salt, ROUNDS).derive(passphrase)
    pad = padding.PKCS7(128).padder()
    cipher = Cipher(algorithms.AES(lock), modes.CBC(start)).encryptor()
    data = cipher.update(pad.update(bare) + pad.finalize()) + cipher.finalize()
    rounds = _put(_INTEGER, ROUNDS.to_bytes(ROUNDS.bit_length() // 8 + 1, "big"))
    hashed = _put(_SEQUENCE, _put(_IDENTIFIER, HMAC_SHA256) + _put(_NULL, b""))
    derived = _put(_SEQUENCE, _put(_OCTETS, salt) + rounds + hashed)
    ways = (
        _put(_SEQUENCE, _put(_IDENTIFIER, PBKDF2) + derived),
        _put(_SEQUENCE, _put(_IDENTIFIER, AES_256_CBC) + _put(_OCTETS, start)),
    )
    scheme = _put(_IDENTIFIER, PBES2) + _put(_SEQUENCE, b"".join(ways))
    return _put(_SEQUENCE, _put(_SEQUENCE, scheme) + _put(_OCTETS, data))


def _put(tag: int, contents: bytes) -> bytes:
    """One element of DER."""
    size = len(contents)
    head = bytes([size]) if size < 0x80 else bytes([0x81, size])
    return bytes([tag]) + head + contents


def is_locked(text: str) -> bool:
    """Whether the key in a text wants a passphrase."""
    return f"-----BEGIN {PEM_PRIVATE}-----" in text


def open_private_key(
    text: str, passphrase: str, *, source: str, may_be_bare: bool = False
) -> Ed25519PrivateKey:
    """The key in the text of a key file; one without a passphrase only where it may be.

    Raises
    ------
    SignatureError
        Not such a file, of another kind, or the passphrase is wrong.
    """
    locked = is_locked(text) or not may_be_bare
    der = pem_bytes(text, PEM_PRIVATE if locked else PEM_BARE, source=source)
    if locked:
        _check_rounds(der, source)
    try:
        key = load_der_private_key(der, passphrase.encode() if locked else None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as error:
        msg = f"{source}: cannot be opened: the passphrase is wrong, or the file is damaged"
        raise SignatureError(msg) from error
    if not isinstance(key, Ed25519PrivateKey):
        msg = f"{source}: a private key of another kind; allowed: Ed25519"
        raise SignatureError(msg)
    return key


def _check_rounds(der: bytes, source: str) -> None:
    """See that the key is locked as ours are, and that opening it takes no hours.

    EncryptedPrivateKeyInfo ::= { { PBES2, { { PBKDF2, { salt, rounds, … } }, cipher } }, data }
    """
    try:
        scheme = _enter(_enter(der))
        what, rest = _take(scheme, _IDENTIFIER)
        derived, parameters = _take(_enter(_enter(rest)), _IDENTIFIER)
        _, after_salt = _take(_enter(parameters), _OCTETS)
        rounds = int.from_bytes(_take(after_salt, _INTEGER)[0], "big")
        known = (what, derived) == (PBES2, PBKDF2)
    except (IndexError, ValueError):
        known, rounds = False, 0
    if not known or not 0 < rounds <= MOST_ROUNDS:
        msg = f"{source}: locked in a way that is not read here; make a key with testcar bench key"
        raise SignatureError(msg)


def _take(der: bytes, tag: int) -> tuple[bytes, bytes]:
    """The contents of the first element, of that tag, and what follows it."""
    size, at = der[1], 2
    if size > 0x80:
        at += size - 0x80
        size = int.from_bytes(der[2:at], "big")
    if der[0] != tag or size == 0x80 or len(der) < at + size:
        msg = "not the element that is wanted"
        raise ValueError(msg)
    return der[at : at + size], der[at + size :]


def _enter(der: bytes) -> bytes:
    """The contents of the sequence that the bytes begin with."""
    return _take(der, _SEQUENCE)[0]
