"""A wheel certificate worked out again from its own measurements."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from calibration.certificates.certificate import CertificateError
from calibration.certificates.wheel import (
    combined_u_m,
    from_measured_length,
    from_rolled_length,
    from_tape,
)
from calibration.evaluation.verify import alike

if TYPE_CHECKING:
    from collections.abc import Mapping

    from calibration.certificates.wheel import WheelCertificate, WheelPart

__all__ = ["verify_wheel"]

SCATTER: Final = "repeatability"
"""The one line of the budget that the measurements themselves give; the others are stated."""
COUNTING: Final = "counting"
"""Stands in its place where it is the larger of the two."""


def verify_wheel(certificate: WheelCertificate, *, source: str) -> list[str]:
    """Work a wheel certificate out again from its own measurements.

    Returns
    -------
    list of str
        Every disagreement in words; empty when all agrees.

    Raises
    ------
    CertificateError
        It was stated, not measured, or keeps nothing that was measured.
    """
    try:
        circumference_m, parts = _measured(certificate, source)
    except ValueError as error:
        if isinstance(error, CertificateError):
            raise
        return [f"measurements: {error}"]
    found = []
    if not alike(circumference_m, certificate.circumference_m):
        found.append(
            f"circumference_m: stated {certificate.circumference_m!r}, its measurements give"
            f" {circumference_m!r}"
        )
    stated = {part.cause: part.u_m for part in certificate.parts}
    found += [
        f"budget, {part.cause}: stated {stated.get(SCATTER, 'nothing')!r}, its measurements give"
        f" {part.u_m!r}"
        for part in parts
        if part.cause == SCATTER and not _covered(part.u_m, stated)
    ]
    u_m = combined_u_m(certificate.parts)
    if not alike(u_m, certificate.u_circumference_m):
        found.append(
            f"u_circumference_m: stated {certificate.u_circumference_m!r}, the lines of its"
            f" budget give {u_m!r}"
        )
    return found


def _covered(scatter_m: float, stated_m: Mapping[str, float]) -> bool:
    """Whether the budget holds the scatter: as it is, or within a counting's own that is more."""
    if SCATTER in stated_m:
        return alike(scatter_m, stated_m[SCATTER])
    return stated_m.get(COUNTING, 0.0) >= scatter_m or alike(scatter_m, 0.0)


def _measured(
    certificate: WheelCertificate, source: str
) -> tuple[float, tuple[WheelPart, ...]]:
    """Circumference, m, and the budget of the measurements alone."""
    details = certificate.details
    match certificate.method:
        case "tape" if readings := _each(certificate, "reading_", "_m"):
            return from_tape(readings, u_tape_m=0.0)
        case "rolled length" if lengths := _each(certificate, "length_", "_m"):
            return from_rolled_length(lengths, details.get("revolutions", 0.0), u_length_m=0.0)
        case "measured length" if counts := _each(certificate, "pulses_", ""):
            return from_measured_length(
                details.get("length_m", math.nan),
                counts,
                certificate.pulses_per_revolution,
                u_length_m=0.0,
                u_count=0.0,
            )
    msg = f"{source}: holds no measurements, so no figure can be worked out again"
    raise CertificateError(msg)


def _each(certificate: WheelCertificate, head: str, tail: str) -> list[float]:
    """The values of ``head1tail``, ``head2tail`` … in order."""
    values: list[float] = []
    while (name := f"{head}{len(values) + 1}{tail}") in certificate.details:
        values.append(certificate.details[name])
    return values
