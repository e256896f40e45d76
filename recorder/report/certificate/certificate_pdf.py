"""A certificate as a PDF that a laboratory would sign: the door of this room."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calibration.certificates.certificate import CertificateError
from calibration.certificates.clock import ClockCertificate
from calibration.certificates.force import ForceCertificate
from calibration.certificates.wheel import WheelCertificate
from recorder.report.certificate.paper import to_pdf
from recorder.report.certificate.wheel_paper import wheel_paper

if TYPE_CHECKING:
    from calibration.certificates.certificate import Certificate

__all__ = ["certificate_pdf"]


def certificate_pdf(certificate: Certificate) -> bytes:
    """Lay a certificate out.

    Raises
    ------
    CertificateError
        A kind that has no paper, or nothing is held that could be shown behind the result.
    """
    if isinstance(certificate, ForceCertificate):
        # Charts are slow to import; a refusal does not wait for them.
        from recorder.report.certificate.force_paper import force_paper

        return to_pdf(force_paper(certificate))
    if isinstance(certificate, WheelCertificate):
        return to_pdf(wheel_paper(certificate))
    if isinstance(certificate, ClockCertificate):
        # As above.
        from recorder.report.certificate.clock_paper import clock_paper

        return to_pdf(clock_paper(certificate))
    msg = f"{certificate.certificate_id}: no paper is made of a certificate of this kind"
    raise CertificateError(msg)
