"""What a run file shows of its instruments: certificates, statements, the wheel by the route."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.certificates.force import ForceCertificate
from calibration.certificates.wheel import WheelCertificate
from calibration.quantities.receiver import RECEIVER_U_M_S
from calibration.quantities.sentence import amount, say
from recorder.analysis.series.run_series import STANDS_M_S, first_channel, speed_by_receiver
from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.instrument_uncertainty import InstrumentUncertainty
from recorder.analysis.uncertainty.shunt import shunt_u_rel
from recorder.analysis.uncertainty.zero import zero_u_kN

if TYPE_CHECKING:
    from recorder.analysis.series.line_under import RunPlace
    from recorder.analysis.series.series import Series
    from recorder.run_file.hdf5.devices import Channel
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["instruments_of", "with_wheel"]

ASSUMED_PULL_REL: Final = 0.01
"""Relative standard uncertainty of a pull that came without certificate or statement; common
practice."""
ASSUMED_ROLLING_REL: Final = 0.005
"""The same for speed and distance: 5 mm in the diameter of a wheel of one metre; common
practice."""

LEAST_WAY_M: Final = 3000.0
"""Fixes alone of a shorter way do not replace a certificate that they contradict: their slow error
of some metres, and a slide that nothing showed, are a large share of it (from experience)."""


def instruments_of(run: RunFile, name: str, notes: list[str]) -> InstrumentUncertainty:
    """Common causes of one run; what had to be assumed is added to the notes.

    ``name`` tells the run from others of a campaign.
    """
    pull = first_channel(run, "pull")
    wheel = first_channel(run, "distance") or first_channel(run, "speed")
    zero_u = zero_u_kN(run, pull, notes)
    pull_u, pull_cause = _calibration(run, pull, name, notes)
    wheel_rel_u, wheel_cause = _rolling(run, wheel, name, notes)
    return InstrumentUncertainty(
        pull_u_kN=pull_u,
        pull_cause=pull_cause,
        zero_u_kN=zero_u,
        zero_cause=UncertaintyCause(CauseKind.ZERO, name),
        wheel_rel_u=wheel_rel_u,
        wheel_cause=wheel_cause,
        certified_rel_u=wheel_rel_u,
    )


def with_wheel(
    series: Series,
    instruments: InstrumentUncertainty,
    place: RunPlace,
    name: str,
    notes: list[str],
    *,
    wanted: bool,
) -> tuple[Series, InstrumentUncertainty]:
    """Correct speed and distance by the wheel's scale that placing found.

    Only where the surveyed line gives the wheel better than its certificate, or contradicts it
    beyond both uncertainties (k = 2): a worn wheel, a certificate of another day. Fixes of a short
    way contradict a certificate too easily: what they say is told, and covered.
    """
    scale, u_scale = place.scale, place.u_scale
    away, held_u = scale - 1.0, instruments.wheel_rel_u
    contradicted = abs(away) > 2.0 * math.hypot(u_scale, held_u)
    if not math.isfinite(u_scale) or not (contradicted or u_scale < held_u):
        return series, instruments
    if contradicted:
        told = _contradiction(place, held_u)
        if not place.posts and place.rolled_m < LEAST_WAY_M:
            held_u = max(held_u, abs(away) / 2.0)
            way = amount(place.rolled_m / 1000.0, "km", 1)
            why = say(f"{told}: NOT corrected, for no post was keyed on ", way)
            notes.append(say(why, f"; ± {200 * held_u:.3f} % covers both"))
            return series, replace(instruments, wheel_rel_u=held_u)
        notes.append(f"{told}: {'corrected' if wanted else 'NOT corrected, as chosen'}")
    if not wanted:
        return series, instruments
    corrected = replace(
        series,
        speed_m_s=series.speed_m_s * scale,
        distance_m=series.distance_m * scale,
        acceleration_m_s2=series.acceleration_m_s2 * scale,
    )
    return corrected, replace(
        instruments,
        wheel_rel_u=u_scale,
        wheel_cause=UncertaintyCause(CauseKind.WHEEL_BY_ROUTE, name),
        wheel_scale=scale,
    )


def _contradiction(place: RunPlace, held_u: float) -> str:
    says = "the route says" if place.posts else "the fixes on the route say"
    return (
        f"{says} the wheel is {100 * (place.scale - 1.0):+.3f} ± {200 * place.u_scale:.3f} %"
        f" from its certificate ± {200 * held_u:.3f} %"
    )


def _calibration(
    run: RunFile, pull: Channel | None, name: str, notes: list[str]
) -> tuple[Callable[[float], float], UncertaintyCause]:
    """Standard uncertainty (kN) of a pull at a force, and its cause."""
    certificate = None if pull is None else run.certificates.get(pull.certificate)
    if isinstance(certificate, ForceCertificate):
        curve = certificate.standard_uncertainty_kN
        span, owner = shunt_u_rel(run, pull, notes), certificate.certificate_id
        if span:
            # What the shunt found belongs to this run: nothing of it cancels between runs.
            owner = f"{owner} and shunt check of {name}"
        return (
            lambda force: math.hypot(float(curve(np.array([force]))[0]), span * force),
            UncertaintyCause(CauseKind.CERTIFICATE, owner),
        )
    stated = _stated(pull)
    if stated is not None:
        absolute, relative = stated
        return (
            lambda force: math.hypot(absolute, relative * force),
            UncertaintyCause(CauseKind.STATED, name),
        )
    if pull is not None:
        notes.append("pull has no certificate: 1 % standard uncertainty is assumed")
    return (
        lambda force: ASSUMED_PULL_REL * abs(force),
        UncertaintyCause(CauseKind.ASSUMED, name),
    )


def _rolling(
    run: RunFile, wheel: Channel | None, name: str, notes: list[str]
) -> tuple[float, UncertaintyCause]:
    """Relative standard uncertainty of speed and distance, and its cause."""
    certificate = None if wheel is None else run.certificates.get(wheel.certificate)
    if isinstance(certificate, WheelCertificate):
        rel = certificate.u_circumference_m / certificate.circumference_m
        return rel, UncertaintyCause(CauseKind.WHEEL, certificate.certificate_id)
    cause = UncertaintyCause(CauseKind.SPEED, name)
    stated = _stated_rolling(run)
    if stated is not None:
        return stated, cause
    if wheel is None and speed_by_receiver(run):
        return _by_receiver(run, notes), cause
    if wheel is not None:
        notes.append("speed has no wheel certificate: 0.5 % standard uncertainty is assumed")
    return ASSUMED_ROLLING_REL, cause


def _by_receiver(run: RunFile, notes: list[str]) -> float:
    """Relative standard uncertainty of a receiver's speed, shared over the median speed."""
    channel = first_channel(run, "gnss_speed")
    usual = 0.0 if channel is None else _usual(channel)
    rel = RECEIVER_U_M_S / max(usual, RECEIVER_U_M_S)
    notes.append(
        say(
            "the receiver's speed has a standard uncertainty of ",
            amount(RECEIVER_U_M_S, "m/s"),
            f" (assumed from experience, not published), {100 * rel:.2g} % of the median speed",
        )
    )
    return rel


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
    for channel in (first_channel(run, "distance"), first_channel(run, "speed")):
        stated = _stated(channel)
        if channel is None or stated is None:
            continue
        absolute, relative = stated
        usual = _usual(channel)
        found.append(math.hypot(relative, absolute / usual if usual > 0.0 else 0.0))
    return max(found, default=None)


def _usual(channel: Channel) -> float:
    """The distance run, or the median speed while moving."""
    values = channel.values(0, channel.n)
    values = values[np.isfinite(values)]
    if channel.quantity == "distance":
        return float(np.ptp(values)) if values.size else 0.0
    moving = np.abs(values)[np.abs(values) > STANDS_M_S]
    return float(np.median(moving)) if moving.size else 0.0
