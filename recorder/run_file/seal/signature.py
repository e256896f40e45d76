"""The signature of a sealed run: Ed25519 (RFC 8032) by a key of the car.

It stands in a line of its own between the end of the HDF5 file and the closing line::

    testcar-run signature {"format": "testcar-run-signature", "version": 1, …}
    testcar-run sealed sha256 …

so that it travels with the one file, and readers of any version find the closing line where it
always was. The line is a JSON object of ``format``, ``version``, ``algorithm``, ``run_id``,
``sha256`` (of all bytes before the line), ``signed_utc``, ``signed_at`` (``stop`` or
``recovery``), ``key`` (the 32 bytes of the public key, base64) and ``signature`` (base64). Signed
are the canonical bytes of all but the signature itself: keys sorted, no blanks, UTF-8.

A digest alone anybody can make. A good signature shows that whoever held the key signed these
very bytes; not that the counts are what the cell gave, nor, but by the signer's own clock, when.
"""

from __future__ import annotations

import base64
import binascii
import json
import os
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from calibration.certificates.signature import LaboratoryKey, key_of
from calibration.quantities.bounded_text import bounded_json
from recorder.run_file.seal.digests import CLOSING_BYTES, file_digest, read_closing_line

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from recorder.run.parts.progress import Progress

__all__ = ["Signed", "SignedAt", "Signer", "Standing", "signature_line", "signature_of"]

FORMAT: Final = "testcar-run-signature"
VERSION: Final = 1
ALGORITHM: Final = "Ed25519"
_BEGIN: Final = b"\ntestcar-run signature "
MOST_BYTES: Final = 4096
"""Of the line; it takes some five hundred."""


class SignedAt(StrEnum):
    """On what occasion a run was signed."""

    STOP = "stop"
    """When the recording was stopped, by the computer that recorded."""
    RECOVERY = "recovery"
    """When it was recovered from its journal: later, and maybe elsewhere."""


@dataclass(frozen=True, slots=True)
class Signer:
    """Who signs, and on what occasion."""

    key: Ed25519PrivateKey
    at: SignedAt


class Standing(StrEnum):
    """How the signature of a run stands."""

    NONE = "none"
    HOLDS = "holds"
    FALSE = "false"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signed:
    """What a run file says of its signature, and whether it holds."""

    standing: Standing
    why: str = ""
    """Why it does not hold; empty where it does, or there is none."""
    key: LaboratoryKey | None = None
    """By which it is, it says."""
    signed_utc: str = ""
    """By the clock of the computer that signed."""
    signed_at: SignedAt | None = None

    @property
    def fingerprint(self) -> str:
        """Of the key; empty without a signature that reads."""
        return "" if self.key is None else self.key.fingerprint

    def in_words(self) -> str:
        """In one sentence."""
        if self.standing is Standing.NONE:
            return "not signed by any key"
        if self.standing is Standing.FALSE:
            return f"its signature does not hold: {self.why}"
        at = (
            "at the stop"
            if self.signed_at is SignedAt.STOP
            else "at its recovery, not at the stop"
        )
        return (
            f"signed {at}, {self.signed_utc} by the signer's clock, by key {self.fingerprint}"
        )

    def to_json(self) -> dict[str, str]:
        """For programs."""
        return {
            "standing": self.standing.value,
            "why": self.why,
            "key": self.fingerprint,
            "signed_utc": self.signed_utc,
            "signed_at": "" if self.signed_at is None else self.signed_at.value,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Statement:
    """What is signed."""

    run_id: str
    sha256: str
    signed_utc: str
    signed_at: str
    key: str
    format: str = FORMAT
    version: int = VERSION
    algorithm: str = ALGORITHM

    def signed_bytes(self) -> bytes:
        """The canonical bytes."""
        return json.dumps(asdict(self), sort_keys=True, separators=(",", ":")).encode()


def signature_line(signer: Signer, *, run_id: str, sha256: str, signed_utc: str) -> bytes:
    """The line that follows a file whose bytes have that digest."""
    public = signer.key.public_key().public_bytes_raw()
    statement = _Statement(
        run_id=run_id,
        sha256=sha256,
        signed_utc=signed_utc,
        signed_at=signer.at.value,
        key=base64.b64encode(public).decode("ascii"),
    )
    signature = base64.b64encode(signer.key.sign(statement.signed_bytes())).decode("ascii")
    return _BEGIN + json.dumps({**asdict(statement), "signature": signature}).encode() + b"\n"


def signature_of(path: Path, run_id: str, *, progress: Progress | None = None) -> Signed:
    """How a sealed file is signed; looks at all its bytes where it is.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    with path.open("rb") as file:
        found = _read_line(file)
        if found is None:
            return Signed(standing=Standing.NONE)
        line, behind = found
        try:
            statement, signature, key = _parsed(line)
        except (ValueError, KeyError, TypeError, RecursionError) as error:
            what = " ".join(str(error).split())[:100]
            return Signed(standing=Standing.FALSE, why=f"it does not read ({what})")
        sha256 = file_digest(file, less=behind, progress=progress)
    why = _why_not(statement, signature, key, run_id=run_id, sha256=sha256)
    return Signed(
        standing=Standing.FALSE if why else Standing.HOLDS,
        why=why,
        key=key_of(key),
        signed_utc=statement.signed_utc,
        signed_at=SignedAt(statement.signed_at),
    )


def _read_line(file: BinaryIO) -> tuple[bytes, int] | None:
    """What stands in the line of the signature, and the bytes from its begin to the file's end."""
    closed = CLOSING_BYTES if read_closing_line(file) is not None else 0
    size = file.seek(0, os.SEEK_END)
    file.seek(max(size - closed - MOST_BYTES, 0))
    end = file.read(MOST_BYTES)[: max(size - closed, 0)]
    at = end.rfind(_BEGIN)
    line = end[at + len(_BEGIN) :]
    if at < 0 or line.find(b"\n") != len(line) - 1:
        return None
    return line, len(end) - at + closed


def _parsed(line: bytes) -> tuple[_Statement, bytes, Ed25519PublicKey]:
    held = bounded_json(line)
    if not isinstance(held, dict) or not all(
        isinstance(value, int if name == "version" else str) for name, value in held.items()
    ):
        msg = "its words cannot be"
        raise ValueError(msg)
    signature = base64.b64decode(held.pop("signature"), validate=True)
    statement = _Statement(**held)
    kind = (statement.format, statement.version, statement.algorithm)
    if kind != (FORMAT, VERSION, ALGORITHM):
        msg = f"of version {statement.version!r:.20} by {statement.algorithm!r:.40}"
        raise ValueError(msg)
    SignedAt(statement.signed_at)
    for text in (statement.signed_utc, statement.run_id, statement.sha256):
        if not text.isprintable() or len(text) > 100:
            msg = "its words cannot be"
            raise ValueError(msg)
    public = base64.b64decode(statement.key, validate=True)
    return statement, signature, Ed25519PublicKey.from_public_bytes(public)


def _why_not(
    statement: _Statement, signature: bytes, key: Ed25519PublicKey, *, run_id: str, sha256: str
) -> str:
    """In words, why it does not hold; empty where it does."""
    try:
        key.verify(signature, statement.signed_bytes())
    except (InvalidSignature, binascii.Error, ValueError):
        return "the key that it names did not make it"
    if statement.run_id != run_id:
        return f"it is of run {statement.run_id}, this is run {run_id}"
    if statement.sha256 != sha256:
        return "the file was changed after it was signed"
    return ""
