"""The certificates a car sheet names, each read and checked once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

from calibration.certificates.certificate import (
    Certificate,
    CertificateError,
    parse_certificate,
)
from recorder.sheets import CarSheet

__all__ = ["HeldCertificates"]


class HeldCertificates:
    """Reads certificates for channels; what is wrong with one is told, never raised.

    Parameters
    ----------
    on
        Day against which they expire.
    allow_expired
        One out of date is only warned of.
    problem
        Takes the table of the sheet that names the certificate, and words.
    warn
        Takes words.
    """

    def __init__(
        self,
        car: CarSheet,
        on: date,
        *,
        allow_expired: bool,
        problem: Callable[[str, str], None],
        warn: Callable[[str], None],
    ) -> None:
        self.certificates: dict[str, Certificate] = {}
        """By the name channels use."""
        self.texts: dict[str, str] = {}
        """Their files, in full, by the same name."""
        self._car = car
        self._on = on
        self._allow_expired = allow_expired
        self._problem = problem
        self._warn = warn
        self._names: dict[str, str] = {}

    def read(self, where: str, file: str, kind: str) -> str:
        """Read a certificate once; the name channels use, or empty after a problem."""
        path = self._car.certificate_path(file)
        held = self._names.get(str(path))
        if held is None:
            held = self._names[str(path)] = self._load(where, path, kind)
        elif held and self.certificates[held].kind != kind:
            self._problem(where, f"certificate {file} must be of kind {kind}")
        return held

    def _load(self, where: str, path: Path, kind: str) -> str:
        try:
            text = path.read_text("utf-8")
            found = parse_certificate(text, source=path.name)
        except OSError as error:
            self._problem(where, f"certificate {path} cannot be read: {error.strerror}")
            return ""
        except (CertificateError, UnicodeDecodeError) as error:
            self._problem(where, f"certificate cannot be used: {error}")
            return ""
        if found.kind != kind:
            self._problem(where, f"certificate {path.name} is of kind {found.kind}, not {kind}")
            return ""
        self._check_date(where, found)
        name = found.certificate_id
        if name in self.texts and self.texts[name] != text:
            name = f"{name} ({path.name})"
        self.certificates[name] = found
        self.texts[name] = text
        return name

    def _check_date(self, where: str, found: Certificate) -> None:
        if found.expires is not None and self._on > found.expires:
            words = f"certificate {found.certificate_id} expired on {found.expires}"
        elif self._on < found.issued:
            words = f"certificate {found.certificate_id} is only issued on {found.issued}"
        else:
            return
        if self._allow_expired:
            self._warn(f"{words}; every value is flagged")
        else:
            self._problem(where, f"{words}; renew it, or record flagged with --allow-expired")
