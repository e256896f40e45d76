"""A request for a time stamp (RFC 3161): a witness outside says that a run was there at an instant.

The request is for SHA-256 over all bytes of the run file, signature and closing line among them,
so that anybody can check the answer against the file itself::

    openssl ts -verify -data RUN.h5 -in RUN.h5.tsr -CAfile AUTHORITY.pem

A signature says by the signer's own clock when; a time stamp says it by somebody who had no part in
the trial. Sending the request and checking the answer is left to the tools of whoever stamps.
"""

from __future__ import annotations

import secrets
from typing import TYPE_CHECKING, Final

from asn1crypto import core, tsp

from calibration.files.durable import write_new
from recorder.run_file.seal.digests import file_digest

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["request_for", "write_request"]

SUFFIX: Final = ".tsq"
"""After the whole name of the run file, as OpenSSL calls them."""
NONCE_BYTES: Final = 8


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
    imprint = {"hash_algorithm": {"algorithm": "sha256", "parameters": core.Null()}}
    asked = tsp.TimeStampReq(
        {
            "version": "v1",
            "message_imprint": {**imprint, "hashed_message": digest},
            # Above nought, whatever the bytes are.
            "nonce": int.from_bytes(b"\x01" + nonce, "big"),
            "cert_req": True,
        }
    )
    return bytes(asked.dump())
