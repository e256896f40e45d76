"""A request for a time stamp (RFC 3161): a witness outside says that a run was there at an instant.

The request is for SHA-256 over all bytes of the run file, signature and closing line among them,
so that anybody can check the answer against the file itself::

    openssl ts -verify -data RUN.h5 -in RUN.h5.tsr -CAfile AUTHORITY.pem

A signature says by the signer's own clock when; a time stamp says it by somebody who had no part in
the trial. Sending the request and checking the answer is left to the tools of whoever stamps::

    TimeStampReq ::= SEQUENCE { version INTEGER (1), messageImprint SEQUENCE { SEQUENCE { sha-256,
        NULL }, OCTET STRING }, nonce INTEGER, certReq BOOLEAN (TRUE) }      (DER)
"""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING, Final

from calibration.files.durable import write_new
from recorder.run_file.seal.digests import file_digest

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["request_for", "write_request"]

SUFFIX: Final = ".tsq"
"""After the whole name of the run file, as OpenSSL calls them."""
SHA256: Final = bytes.fromhex("608648016503040201")
"""Object identifier 2.16.840.1.101.3.4.2.1 (RFC 5754)."""
NONCE_BYTES: Final = 8
_SEQUENCE, _INTEGER, _BOOLEAN = 0x30, 0x02, 0x01
_OCTETS, _NULL, _IDENTIFIER = 0x04, 0x05, 0x06


def write_request(run: Path) -> Path:
    """Write the request for a run file beside it; gives its path.

    Raises
    ------
    FileExistsError
        There is one already: an answer may be under way to it.
    OSError
    """
    out = run.with_name(run.name + SUFFIX)
    with run.open("rb") as file:
        digest = bytes.fromhex(file_digest(file))
    write_new(out, request_for(digest, secrets.token_bytes(NONCE_BYTES)))
    return out


def request_for(digest: bytes, nonce: bytes) -> bytes:
    """The request in DER, for a SHA-256 and some bytes that no other request has."""
    algorithm = _put(_SEQUENCE, _put(_IDENTIFIER, SHA256) + _put(_NULL, b""))
    imprint = _put(_SEQUENCE, algorithm + _put(_OCTETS, digest))
    # A whole number above nought, in as few bytes as it takes.
    number = int.from_bytes(b"\x01" + nonce, "big")
    shortest = number.to_bytes(number.bit_length() // 8 + 1, "big")
    return _put(
        _SEQUENCE,
        _put(_INTEGER, b"\x01") + imprint + _put(_INTEGER, shortest) + _put(_BOOLEAN, b"\xff"),
    )


def _put(tag: int, contents: bytes) -> bytes:
    """One element of DER; none here takes 128 bytes or more."""
    return bytes([tag, len(contents)]) + contents
