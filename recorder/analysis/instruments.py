"""What a run file says of its instruments, as evidence for the figures."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.force import ForceCertificate
from calibration.wheel import WheelCertificate
from recorder.analysis.evidence import Evidence

if TYPE_CHECKING:
    from recorder.run_file.reader import Channel, RunFile

__all__ = ["evidence_of"]

STATED_PULL_REL: Final = 0.01
"""Relative standard uncertainty of a pull that came without certificate or statement."""


def evidence_of(
    run: RunFile, pull: Channel | None, wheel: Channel | None, notes: list[str]
) -> Evidence:
    """Common causes of one run; what had to be assumed is added to the notes."""
    certificate = None if pull is None else run.certificates.get(pull.certificate)
    zero_u = _zero_u(run, pull, certificate)
    stated = _stated(pull)
    if isinstance(certificate, ForceCertificate):
        curve = certificate.standard_uncertainty_kN
        cause = f"certificate {certificate.certificate_id}"

        def pull_u(force: float) -> float:
            return float(curve(np.array([force]))[0])
    elif stated is not None:
        cause = f"stated uncertainty of {run.path.stem}"

        def pull_u(force: float) -> float:
            return math.hypot(stated[0], stated[1] * force)
    else:
        cause = f"assumed uncertainty of {run.path.stem}"
        notes.append("pull has no certificate: 1 % standard uncertainty is assumed")

        def pull_u(force: float) -> float:
            return STATED_PULL_REL * abs(force)

    wheel_certificate = None if wheel is None else run.certificates.get(wheel.certificate)
    if isinstance(wheel_certificate, WheelCertificate):
        rel = wheel_certificate.u_circumference_m / wheel_certificate.circumference_m
        wheel_cause = f"wheel {wheel_certificate.certificate_id}"
    else:
        told = _stated(wheel)
        rel, wheel_cause = told[1] if told else 0.005, f"speed of {run.path.stem}"
        if told is None:
            notes.append(
                "speed has no wheel certificate: 0.5 % standard uncertainty is assumed"
            )
    return Evidence(
        pull_u_kN=pull_u,
        pull_cause=cause,
        zero_u_kN=zero_u,
        zero_cause=f"zero of {run.path.stem}",
        wheel_rel_u=rel,
        wheel_cause=wheel_cause,
    )


def _stated(channel: Channel | None) -> tuple[float, float] | None:
    """Absolute and relative standard uncertainty a channel came with; ``None`` when neither."""
    if channel is None:
        return None
    absolute, relative = channel.standard_uncertainty, channel.relative_uncertainty
    if absolute is None and relative is None:
        return None
    return absolute or 0.0, relative or 0.0


def _zero_u(run: RunFile, pull: Channel | None, certificate: object) -> float:
    """Standard uncertainty of the zero, kN.

    The worst scatter of a zero taken, and the greatest change between zeros over √12: values
    follow a straight line from zero to zero, and may lie anywhere around it.
    """
    if pull is None or not isinstance(certificate, ForceCertificate):
        return 0.0
    taken = [e.data for e in run.events("zero") if e.data.get("channel") == pull.name]
    counts = [float(d["counts"]) for d in taken]
    if not counts:
        return 0.0
    at = np.array([counts[0], counts[0] + 1000.0])
    per_count = abs(float(np.diff(certificate.to_force(at, zero_counts=counts[0]))[0])) / 1000.0
    scatter = max(
        float(d.get("sd_counts", 0.0) or 0.0) / math.sqrt(max(int(d.get("n", 1)), 1))
        for d in taken
    )
    return per_count * math.hypot(scatter, (max(counts) - min(counts)) / math.sqrt(12.0))
