"""The certificates a car sheet names, each read and checked once."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

from calibration.certificates.certificate import (
    Certificate,
    CertificateError,
    parse_certificate,
    parse_document,
    read_certificate_file,
)
from calibration.certificates.days import before_issue
from calibration.certificates.force import ForceCertificate
from calibration.quantities.units import split_column
from recorder.run.parts.quantities import COUNTS
from recorder.run.values.certificate_standing import (
    Finding,
    Standing,
    readings_finding,
    serial_finding,
    signature_finding,
)
from recorder.sheets import CarSheet

__all__ = ["HeldCertificates"]


class HeldCertificates:
    """Reads certificates for channels; what is wrong with one is told, never raised.

    Parameters
    ----------
    on
        Day of UTC against which they expire: that of the run.
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
        self.signatures: dict[str, str] = {}
        """Files of their signatures, in full, by the same name; where keys are trusted."""
        self.keys: dict[str, str] = {}
        """Public keys that the sheet trusts, in full, by the name of the laboratory."""
        self.findings: dict[str, list[Finding]] = {}
        """How each stands, by the name channels use."""
        self._car = car
        self._on = on
        self._allow_expired = allow_expired
        self._problem = problem
        self._warn = warn
        self._names: dict[str, str] = {}
        self._read_keys()

    def read(self, where: str, file: str, kind: str, serial: str | None = "") -> str:
        """Read a certificate once; the name channels use, or empty after a problem.

        ``serial`` is that of the cell or wheel, as the sheet names it; None: it is not asked.
        """
        path = self._car.certificate_path(file)
        held = self._names.get(str(path))
        if held is None:
            held = self._names[str(path)] = self._load(where, path, kind)
        elif held and self.certificates[held].kind != kind:
            self._problem(where, f"certificate {file} must be of kind {kind}")
        if held and serial is not None:
            self._find(where, held, serial_finding(self.certificates[held], serial))
        return held

    def check_indicated(self, where: str, held: str, field: str) -> None:
        """A curve over mV/V makes nothing of counts: the units must be the same."""
        certificate = self.certificates[held]
        if not isinstance(certificate, ForceCertificate):
            return
        unit = split_column(field)[1] or COUNTS
        if certificate.indicated_in != unit:
            words = (
                f"certificate {held} was made over readings in {certificate.indicated_in}, and"
                f" field {field} is in {unit}: its forces would be wrong; give one made over"
                f" {unit}, with the indicator of this car"
            )
            self._problem(where, words)

    def _read_keys(self) -> None:
        where = "laboratories"
        for name, file in self._car.laboratories.items():
            # Few cars name keys: the others do not wait for the library.
            from calibration.certificates.signature import read_public_key, read_small_file

            path = self._car.certificate_path(file)
            try:
                text = read_small_file(path)
                read_public_key(text, source=path.name)
            except OSError as error:
                self._problem(where, f"{name}: key {path} cannot be read: {error.strerror}")
            except CertificateError as error:
                self._problem(where, f"{name}: {error}")
            else:
                self.keys[name] = text

    def _load(self, where: str, path: Path, kind: str) -> str:
        try:
            text = read_certificate_file(path)
            found = parse_certificate(text, source=path.name)
        except OSError as error:
            self._problem(where, f"certificate {path} cannot be read: {error.strerror}")
            return ""
        except CertificateError as error:
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
        document = parse_document(text)
        self._find(where, name, readings_finding(document))
        self._check_signature(where, name, document, path)
        return name

    def _check_signature(
        self, where: str, name: str, document: dict[str, Any], path: Path
    ) -> None:
        text = ""
        if self.keys:
            # As above.
            from calibration.certificates.signature import SUFFIX, read_small_file

            try:
                text = read_small_file(path.with_name(path.name + SUFFIX))
            except FileNotFoundError:
                pass
            except OSError as error:
                words = f"signature {path.name}{SUFFIX} cannot be read: {error.strerror}"
                self._problem(where, words)
                return
            except CertificateError as error:
                self._problem(where, str(error))
                return
        self._find(where, name, signature_finding(document, text, self.keys))
        if text:
            self.signatures[name] = text

    def _find(self, where: str, name: str, finding: Finding) -> None:
        """Keep how a certificate stands; tell what is not as it should be."""
        held = self.findings.setdefault(name, [])
        if finding in held:
            return
        held.append(finding)
        if finding.standing is Standing.REFUSED:
            self._problem(where, f"certificate {name}: {finding.words}")
        elif finding.standing is Standing.DOUBT:
            words = " ".join(f"certificate {name}: {finding.words}".split())
            self._warn(f"{self._car.source} [{where}]: {words}")

    def _check_date(self, where: str, found: Certificate) -> None:
        if found.expires is not None and self._on > found.expires:
            words = f"certificate {found.certificate_id} expired on {found.expires}"
        elif before_issue(found.issued, self._on):
            words = f"certificate {found.certificate_id} is only issued on {found.issued}"
        else:
            return
        if self._allow_expired:
            self._warn(f"{words}; every value is flagged")
        else:
            self._problem(
                where,
                f"{words}; name one that is valid on the day, or record with every"
                " value flagged: testcar record --allow-expired",
            )
