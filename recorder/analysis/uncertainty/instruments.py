"""What a run file says of its instruments, as evidence for the figures."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.certificates.force import ForceCertificate
from calibration.certificates.wheel import WheelCertificate
from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty
from recorder.analysis.uncertainty.shunt import shunt_u_rel
from recorder.analysis.uncertainty.zero import zero_u_kN

if TYPE_CHECKING:
    from recorder.analysis.series.series import Series
    from recorder.run_file.hdf5.devices import Channel
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["evidence_of", "with_wheel"]

STATED_PULL_REL: Final = 0.01
"""Relative standard uncertainty of a pull that came without certificate or statement."""
STATED_ROLLING_REL: Final = 0.005
"""The same for speed and distance."""
STANDS_M_S: Final = 0.1


def evidence_of(
    run: RunFile,
    pull: Channel | None,
    wheel: Channel | None,
    notes: list[str],
    *,
    name: str = "",
) -> InstrumentUncertainty:
    """Common causes of one run; what had to be assumed is added to the notes.

    ``name`` tells the run from others of a campaign; by default its file's.
    """
    name = name or run.path.stem
    certificate = None if pull is None else run.certificates.get(pull.certificate)
    zero_u = zero_u_kN(run, pull, notes)
    stated = _stated(pull)
    if isinstance(certificate, ForceCertificate):
        curve = certificate.standard_uncertainty_kN
        cause = f"certificate {certificate.certificate_id}"
        span = shunt_u_rel(run, pull, notes)
        if span:
            # What the shunt found belongs to this run: nothing of it cancels between runs.
            cause = f"{cause} and shunt check of {name}"

        def pull_u(force: float) -> float:
            return math.hypot(float(curve(np.array([force]))[0]), span * force)
    elif stated is not None:
        cause = f"stated uncertainty of {name}"

        def pull_u(force: float) -> float:
            return math.hypot(stated[0], stated[1] * force)
    else:
        cause = f"assumed uncertainty of {name}"
        notes.append("pull has no certificate: 1 % standard uncertainty is assumed")

        def pull_u(force: float) -> float:
            return STATED_PULL_REL * abs(force)

    wheel_certificate = None if wheel is None else run.certificates.get(wheel.certificate)
    if isinstance(wheel_certificate, WheelCertificate):
        rel = wheel_certificate.u_circumference_m / wheel_certificate.circumference_m
        wheel_cause = f"wheel {wheel_certificate.certificate_id}"
    else:
        told = _stated_rolling(run)
        rel, wheel_cause = STATED_ROLLING_REL if told is None else told, f"speed of {name}"
        if told is None:
            notes.append(
                "speed has no wheel certificate: 0.5 % standard uncertainty is assumed"
            )
    return InstrumentUncertainty(
        pull_u_kN=pull_u,
        pull_cause=cause,
        zero_u_kN=zero_u,
        zero_cause=f"zero of {name}",
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


def _stated_rolling(run: RunFile) -> float | None:
    """Relative standard uncertainty stated for distance and speed, the worse; else ``None``.

    What is stated in metres is shared over the distance run, in m/s over the median speed.
    """
    found = []
    for channel in run.channels.values():
        told = _stated(channel) if channel.quantity in ("speed", "distance") else None
        if told is None:
            continue
        values = channel.values(0, channel.n)
        values = values[np.isfinite(values)]
        if channel.quantity == "distance":
            usual = float(np.ptp(values)) if values.size else 0.0
        else:
            moving = np.abs(values)[np.abs(values) > STANDS_M_S]
            usual = float(np.median(moving)) if moving.size else 0.0
        found.append(math.hypot(told[1], told[0] / usual if usual > 0.0 else 0.0))
    return max(found, default=None)


def with_wheel(
    series: Series,
    evidence: InstrumentUncertainty,
    scale: float,
    u_scale: float,
    name: str,
    notes: list[str],
    *,
    wanted: bool,
) -> tuple[Series, InstrumentUncertainty]:
    """Correct speed and distance by the wheel's scale that placing found.

    Only where the surveyed line knows the wheel better than its certificate, or contradicts it
    beyond both uncertainties (k = 2): a worn wheel, a certificate of another day.
    """
    away = scale - 1.0
    contradicted = abs(away) > 2.0 * math.hypot(u_scale, evidence.wheel_rel_u)
    if not math.isfinite(u_scale) or not (contradicted or u_scale < evidence.wheel_rel_u):
        return series, evidence
    told = f"the route says the wheel is {100 * away:+.3f} ± {200 * u_scale:.3f} % from its"
    if contradicted:
        held = "corrected" if wanted else "NOT corrected, as chosen"
        notes.append(f"{told} certificate ± {200 * evidence.wheel_rel_u:.3f} %: {held}")
    if not wanted:
        return series, evidence
    corrected = replace(
        series,
        speed_m_s=series.speed_m_s * scale,
        distance_m=series.distance_m * scale,
        acceleration_m_s2=series.acceleration_m_s2 * scale,
    )
    cause = f"wheel of {name} by the route"
    return corrected, replace(
        evidence, wheel_rel_u=u_scale, wheel_cause=cause, wheel_scale=scale
    )
