"""A bench reading about to be taken: its step, its force, its length, all checked."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any, Final

from calibration.bench.plan import PlanStep
from calibration.bench.session_file import BenchError
from calibration.certificates.certificate import parse_certificate
from calibration.certificates.force import ForceCertificate

__all__ = [
    "PendingReading",
    "applied_force",
    "check_seconds",
    "check_temperature",
    "force_certificate",
]

MIN_SECONDS: Final = 0.2
MAX_SECONDS: Final = 600.0


@dataclass(frozen=True, slots=True)
class PendingReading:
    """A reading being gathered."""

    step: PlanStep
    start_s: float
    """On the feed's own time."""
    seconds: float
    applied_kN: float | None
    """None: from the reference channel."""
    applied_by: str
    temperature_C: float | None
    reason: str
    repeat_of: int | None


def applied_force(
    step: PlanStep, typed: float | None, reference: ForceCertificate | None
) -> tuple[float | None, str]:
    """The force of a step in kN and where it comes from; None: from the reference channel.

    Raises
    ------
    BenchError
        A typed force of the wrong sign, or more than a fifth off the step's.
    """
    if step.kind == "zero":
        return 0.0, "plan"
    if typed is None:
        if reference is not None:
            return None, f"certificate {reference.certificate_id}"
        return step.applied_kN, "plan"
    if not math.isfinite(typed) or typed * step.applied_kN <= 0.0:
        sign = "positive (tension)" if step.applied_kN > 0 else "negative (compression)"
        msg = f"applied_kN is {typed!r}; step {step.number} needs a {sign} force"
        raise BenchError(msg)
    if abs(typed - step.applied_kN) > 0.2 * abs(step.applied_kN):
        msg = (
            f"applied_kN is {typed:g}, step {step.number} asks for {step.applied_kN:g}:"
            " more than a fifth off; check number and unit"
        )
        raise BenchError(msg)
    return typed, "typed"


def check_seconds(seconds: float) -> None:
    """Raise ``BenchError`` unless a reading may gather for so long."""
    if not MIN_SECONDS <= seconds <= MAX_SECONDS:
        msg = f"a reading gathers {MIN_SECONDS:g} to {MAX_SECONDS:g} s, got {seconds!r}"
        raise BenchError(msg)


def check_temperature(temperature_C: float | None) -> None:
    """Raise ``BenchError`` for a temperature no bench has."""
    if temperature_C is not None and not -80.0 <= temperature_C <= 150.0:
        msg = f"temperature_C must be -80 to 150, got {temperature_C!r}"
        raise BenchError(msg)


def force_certificate(document: dict[str, Any]) -> ForceCertificate:
    """A force certificate from its document; raises ``ValueError`` for anything else."""
    found = parse_certificate(json.dumps(document), source="reference certificate")
    if not isinstance(found, ForceCertificate):
        msg = "the reference certificate is not of a force cell"
        raise BenchError(msg)
    return found
