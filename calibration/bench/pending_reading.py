"""A bench reading about to be taken: its step, its force, its length, all checked."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Any, Final

from calibration.bench.bench_reading import BenchError
from calibration.bench.plan import PlanStep
from calibration.certificates.certificate import parse_certificate
from calibration.certificates.force import ForceCertificate
from calibration.quantities.typed import typed_in, typed_parts
from calibration.quantities.units import convert

__all__ = [
    "PendingReading",
    "applied_force",
    "check_seconds",
    "check_temperature",
    "force_certificate",
    "prepare",
    "shown_force",
    "typed_force_kN",
    "typed_temperature_C",
]

MIN_SECONDS: Final = 0.2
MAX_SECONDS: Final = 600.0
_PLAIN_TEMPERATURES_C: Final = (-10.0, 50.0)
"""Beyond, a temperature without its unit may as well be in °F."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PendingReading:
    """A reading waited for, then gathered. Times are the feed's own."""

    step: PlanStep
    seconds: float
    """Of counts, once the wait is over."""
    applied_kN: float | None
    """None: from the reference channel."""
    applied_by: str
    temperature_C: float | None
    reason: str
    repeat_of: int | None
    patience_s: float = 0.0
    """Longest time from the force reached until the signal stands still."""
    reached_s: float = 0.0
    """When the force was reached, as the person said."""
    start_s: float | None = None
    """When the counts began to be gathered; None while it is waited."""
    restarts: int = 0
    """The device's, before this reading."""
    again: int = 0
    """How often gathering began again because the counts paused."""
    hurried: str = ""
    """Why the wait was cut short; empty: it was not."""


def applied_force(
    step: PlanStep, typed: float | None, reference: ForceCertificate | None
) -> tuple[float | None, str]:
    """The force of a step in kN and where it comes from; None: from the reference channel.

    Raises
    ------
    BenchError
        A typed force of the wrong sign, or more than a fifth off the step's.
    """
    if step.unloaded:
        if typed:
            msg = f"step {step.number} is unloaded, the force typed is {typed:g} kN"
            raise BenchError(msg)
        return 0.0, "unloaded"
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


def prepare(
    step: PlanStep,
    force: tuple[float | None, str],
    temperature_C: float | None,
    *,
    reason: str,
    repeat_of: int | None,
) -> PendingReading:
    """A reading to be taken; ``force`` as ``applied_force`` gives it."""
    check_temperature(temperature_C)
    return PendingReading(
        step=step,
        seconds=0.0,
        applied_kN=force[0],
        applied_by=force[1],
        temperature_C=temperature_C,
        reason=reason,
        repeat_of=repeat_of,
    )


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


def typed_force_kN(number: float, unit: str, plain: str) -> float:
    """A typed force in kN; without a unit it is in ``plain``. Raises ``UnitError``."""
    return typed_in(number, unit, quantity="force", plain=plain, to="kN")


def shown_force(force_kN: float, unit: str) -> str:
    """A force in kN, and in the unit of the session where that is another."""
    text = f"{force_kN:.6g} kN"
    if unit == "kN":
        return text
    return f"{float(convert(force_kN, 'kN', unit)):.6g} {unit} ({text})"


def typed_temperature_C(words: str) -> float:
    """``21.5``, ``70 F`` in °C; raises ``BenchError`` or ``UnitError``."""
    parts = typed_parts(words, "temperature")
    if len(parts) != 1:
        msg = f"temperature is {words!r}: one number is needed, with its unit if not °C"
        raise BenchError(msg)
    number, unit = parts[0]
    low, high = _PLAIN_TEMPERATURES_C
    if not unit and not low <= number <= high:
        msg = f"temperature is {words!r}: write its unit, {number:g} C or {number:g} F"
        raise BenchError(msg)
    found = typed_in(number, unit, quantity="temperature", plain="C", to="C")
    check_temperature(found)
    return found
