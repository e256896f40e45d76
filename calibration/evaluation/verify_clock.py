"""A clock certificate worked out again from the pulses it keeps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from calibration.evaluation.verify import alike

if TYPE_CHECKING:
    from calibration.certificates.clock import ClockCertificate

__all__ = ["verify_clock"]

FLOOR_PPM: Final = 1e-9
"""A rate of nought is rounding on every machine."""


def verify_clock(certificate: ClockCertificate) -> list[str]:
    """Every disagreement with the pulses in words; empty when all agrees."""
    try:
        again = certificate.worked_out()
    except ValueError as error:
        return [f"pulses: {error}"]
    figures = {
        "rate_ppm": (certificate.rate_ppm, again.rate_ppm),
        "u_rate_ppm": (certificate.u_rate_ppm, again.u_ppm),
        "coverage_factor": (certificate.coverage_factor, again.k),
        "low_ppm": (certificate.low_ppm, again.low_ppm),
        "high_ppm": (certificate.high_ppm, again.high_ppm),
        "scatter_us": (certificate.scatter_us, again.scatter_us),
    }
    return [
        f"{name}: stated {stated!r}, its pulses give {computed!r}"
        for name, (stated, computed) in figures.items()
        if not alike(computed, stated, floor=FLOOR_PPM)
    ]
