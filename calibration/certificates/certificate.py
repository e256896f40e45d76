"""Certificates: one readable JSON file per certificate, with a digest, of several kinds.

A certificate file is a JSON object::

    {"format": "testcar-certificate", "version": 1, "kind": "force",
     "digest": "sha256:…", "certificate_id": "…", "issued": "2026-05-04", "expires": "…", …}

The digest is SHA-256 over the canonical form of the object without ``digest``: keys sorted,
no blanks, UTF-8, numbers in their shortest exact form. It shows that nothing was changed since
whoever wrote the file made the digest; it is no signature (``signature`` has that), and nothing
in a certificate proves that its readings were taken.

A kind is a class with ``kind``, ``certificate_id``, ``issued``, ``expires``, a ``digest``
property, ``to_document()`` (plain JSON values, without ``format``, ``version``, ``kind``,
``digest``) and the class method ``from_document(document)``, which raises ``CertificateError``.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import math
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Any, ClassVar, Final, Protocol, Self, cast

from calibration.quantities.bounded_text import bounded_json, read_bounded_text

__all__ = [
    "FORMAT",
    "KINDS",
    "VERSION",
    "Certificate",
    "CertificateError",
    "canonical_bytes",
    "digest_of",
    "document_digest",
    "dump_certificate",
    "full_document",
    "load_certificate",
    "load_document",
    "parse_certificate",
    "parse_certificate_document",
    "parse_document",
    "read_certificate_file",
    "read_date",
    "read_number",
    "read_optional_date",
    "read_text",
    "same_serial",
]

FORMAT: Final = "testcar-certificate"
VERSION: Final = 1
MAX_BYTES: Final = 64 * 2**20
"""A certificate with a hundred thousand readings stays well below."""

KINDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "force": "calibration.certificates.force:ForceCertificate",
        "wheel": "calibration.certificates.wheel:WheelCertificate",
        "clock": "calibration.certificates.clock:ClockCertificate",
    }
)
"""Kind → ``"module:Class"``; loaded when a certificate of the kind is read."""


class CertificateError(ValueError):
    """A certificate that cannot be used; the text names the file (or source) first."""


class Certificate(Protocol):
    """What every kind offers."""

    kind: ClassVar[str]

    @property
    def certificate_id(self) -> str: ...
    @property
    def issued(self) -> date: ...
    @property
    def expires(self) -> date | None: ...
    @property
    def serial(self) -> str:
        """The maker's number of the item; empty where the certificate states none."""

    @property
    def digest(self) -> str: ...
    def to_document(self) -> dict[str, Any]: ...
    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Self: ...


def canonical_bytes(document: Mapping[str, Any]) -> bytes:
    """What digest and signature are made of: the whole document without its ``digest``.

    JSON with keys sorted, no blanks, every character as itself in UTF-8, numbers in their
    shortest exact form.
    """
    bare = {key: value for key, value in document.items() if key != "digest"}
    text = json.dumps(
        bare, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )
    return text.encode("utf-8", "surrogatepass")


def document_digest(document: Mapping[str, Any]) -> str:
    """``"sha256:<hex>"`` of a whole certificate document, its own ``digest`` left out."""
    return "sha256:" + hashlib.sha256(canonical_bytes(document)).hexdigest()


def same_serial(one: str, other: str) -> bool:
    """Whether two serial numbers are the same but for blanks and capitals."""
    return "".join(one.split()).casefold() == "".join(other.split()).casefold()


def full_document(certificate: Certificate) -> dict[str, Any]:
    """The certificate as it is written to a file, digest included."""
    head: dict[str, Any] = {"format": FORMAT, "version": VERSION, "kind": certificate.kind}
    document = {**head, **certificate.to_document()}
    return {**head, "digest": document_digest(document), **certificate.to_document()}


def digest_of(certificate: Certificate) -> str:
    """The digest a certificate has when written; what ``certificate.digest`` returns."""
    return str(full_document(certificate)["digest"])


def dump_certificate(certificate: Certificate) -> str:
    """Write a certificate as JSON text, one trailing newline."""
    return json.dumps(full_document(certificate), indent=1, ensure_ascii=False) + "\n"


def parse_document(text: str, *, source: str = "certificate") -> dict[str, Any]:
    """Read the JSON and check format and version, not the digest.

    Raises
    ------
    CertificateError
        Not JSON, not one of our certificates, or written by a newer version.
    """
    try:
        document = bounded_json(text, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as error:
        msg = f"{source}: not a certificate: the JSON does not read ({error})"
        raise CertificateError(msg) from error
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        msg = f"{source}: not a certificate: its format is not {FORMAT!r}"
        raise CertificateError(msg)
    version = document.get("version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        msg = f"{source}: version must be a whole number, got {version!r}"
        raise CertificateError(msg)
    if version > VERSION:
        msg = f"{source}: version {version} is newer than this program reads ({VERSION})"
        raise CertificateError(msg)
    return document


def parse_certificate(
    text: str, *, source: str = "certificate", check_digest: bool = True
) -> Certificate:
    """Make a certificate from its JSON text.

    Raises
    ------
    CertificateError
        Damaged, edited (the digest does not agree), of an unknown kind, or not sensible.
    """
    document = parse_document(text, source=source)
    if check_digest:
        _check_digest(document, source)
    return parse_certificate_document(document, source=source)


def parse_certificate_document(
    document: Mapping[str, Any], *, source: str = "certificate"
) -> Certificate:
    """Make a certificate of its document, the digest unchecked; raises ``CertificateError``."""
    kind = document.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        msg = f"{source}: unknown kind {kind!r}; known: {', '.join(KINDS)}"
        raise CertificateError(msg)
    module_name, class_name = KINDS[kind].split(":")
    maker = getattr(importlib.import_module(module_name), class_name)
    body = {k: v for k, v in document.items() if k not in ("format", "version", "digest")}
    try:
        return cast("Certificate", maker.from_document(body))
    except CertificateError as error:
        msg = str(error) if str(error).startswith(source) else f"{source}: {error}"
        raise CertificateError(msg) from error


def load_document(path: str | Path) -> dict[str, Any]:
    """Read a certificate file as a document, digest unchecked."""
    return parse_document(read_certificate_file(Path(path)), source=str(path))


def load_certificate(path: str | Path) -> Certificate:
    """Read a certificate file.

    Raises
    ------
    CertificateError
        As ``parse_certificate``, and for a file too large or not UTF-8.
    OSError
        The file cannot be read.
    """
    return parse_certificate(read_certificate_file(Path(path)), source=str(path))


def read_certificate_file(path: Path) -> str:
    """The text of a certificate file, nothing of it checked.

    Raises
    ------
    CertificateError
        Too large, or not UTF-8.
    OSError
        The file cannot be read.
    """
    return read_bounded_text(
        path, largest=MAX_BYTES, refused="not a certificate", error=CertificateError
    )


def _check_digest(document: Mapping[str, Any], source: str) -> None:
    stated = document.get("digest")
    try:
        computed = document_digest(document)
    except (ValueError, RecursionError) as error:
        msg = f"{source}: damaged certificate ({error})"
        raise CertificateError(msg) from error
    if stated != computed:
        msg = (
            f"{source}: damaged or edited: the digest is {_short(stated)}, computed"
            f" {_short(computed)}; get the certificate again from where it was issued"
        )
        raise CertificateError(msg)


def _short(digest: object) -> str:
    return f"{digest[:19]}…" if isinstance(digest, str) and len(digest) > 20 else repr(digest)


def _refuse_constant(name: str) -> float:
    msg = f"{name} is not a number a certificate may hold"
    raise ValueError(msg)


def read_text(document: Mapping[str, Any], key: str, default: str | None = None) -> str:
    """A text of the document; raises ``CertificateError`` naming the key."""
    value = document.get(key, default)
    if not isinstance(value, str):
        msg = f"{key} must be a text, got {value!r}"
        raise CertificateError(msg)
    return value


def read_number(
    document: Mapping[str, Any],
    key: str,
    default: float | None = None,
    *,
    low: float = -math.inf,
    high: float = math.inf,
) -> float:
    """A finite number in [low, high]; raises ``CertificateError`` naming the key."""
    value = document.get(key, default)
    if isinstance(value, bool) or not isinstance(value, int | float):
        msg = f"{key} must be a number, got {value!r}"
        raise CertificateError(msg)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number) or not low <= number <= high:
        msg = f"{key} must be a number in [{low:g}, {high:g}], got {value!r}"
        raise CertificateError(msg)
    return number


def read_date(document: Mapping[str, Any], key: str) -> date:
    """A date ``YYYY-MM-DD``; raises ``CertificateError`` naming the key."""
    value = document.get(key)
    try:
        return date.fromisoformat(cast("str", value))
    except (TypeError, ValueError) as error:
        msg = f"{key} must be a date YYYY-MM-DD, got {value!r}"
        raise CertificateError(msg) from error


def read_optional_date(document: Mapping[str, Any], key: str) -> date | None:
    """As ``read_date``; None when the key is absent or null."""
    return None if document.get(key) is None else read_date(document, key)
