"""Parts of a force certificate: a curve per sense, the shunt value, the uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.certificates.certificate import CertificateError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["MAX_DEGREE", "Preload", "SenseCurve", "ShuntExpectation", "UncertaintyTable"]

MAX_DEGREE: Final = 5


@dataclass(frozen=True, slots=True)
class Preload:
    """A spring that its preload holds: it does not move before the force has passed it."""

    force_kN: float
    """Above 0."""
    held_counts: float
    """Deflection within which the spring may still be held; above 0. Inside, a force is not
    measured: it is shown in proportion, so that there is no step at zero."""

    def __post_init__(self) -> None:
        for name in ("force_kN", "held_counts"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                msg = f"preload: {name} must be above 0, got {value!r}"
                raise CertificateError(msg)


@dataclass(frozen=True, slots=True)
class SenseCurve:
    """Force from deflection for one sense: ``force_kN = Σ coefficients[i]·deflection**i``.

    With a preload P and the deflection h within which the spring is held,
    ``± P·min(1, |deflection|/h)`` is added, with the sign of the force.
    """

    coefficients: tuple[float, ...]
    """(degree + 1,) kN per count**i; the first is 0: no force where there is no deflection."""
    preload: Preload | None = None

    def __post_init__(self) -> None:
        c = self.coefficients
        if not 2 <= len(c) <= MAX_DEGREE + 1 or not all(math.isfinite(v) for v in c):
            msg = f"a curve has 2 to {MAX_DEGREE + 1} finite coefficients, got {list(c)}"
            raise CertificateError(msg)
        if c[0] != 0.0:
            msg = f"the constant term of a curve must be 0 (no step at zero), got {c[0]!r}"
            raise CertificateError(msg)
        if c[1] == 0.0:
            msg = "the linear coefficient of a curve is 0: the cell would not answer to force"
            raise CertificateError(msg)

    def force_kN(self, deflection: NDArray[np.float64]) -> NDArray[np.float64]:
        """Force in kN for deflections in counts; any shape."""
        result = np.full_like(deflection, self.coefficients[-1])
        for coefficient in reversed(self.coefficients[1:-1]):
            result *= deflection
            result += coefficient
        result *= deflection
        if self.preload is not None:
            held = math.copysign(self.preload.held_counts, self.coefficients[1])
            result += self.preload.force_kN * np.clip(deflection / held, -1.0, 1.0)
        return result

    def deflection(self, force_kN: NDArray[np.float64]) -> NDArray[np.float64]:
        """Counts above zero for a force, by Newton's method from the straight line.

        Raises
        ------
        ValueError
            The curve does not reach the force before it turns back.
        """
        if self.preload is not None:
            return self._held_deflection(np.asarray(force_kN, dtype=np.float64), self.preload)
        slope = np.polynomial.polynomial.polyder(self.coefficients)
        x = np.asarray(force_kN, dtype=np.float64) / self.coefficients[1]
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            for _ in range(50):
                gradient = np.polynomial.polynomial.polyval(x, slope)
                step = (self.force_kN(x) - force_kN) / gradient
                x = x - step
                if np.all(np.abs(step) <= 1e-12 * np.maximum(1.0, np.abs(x))):
                    break
            gradient = np.polynomial.polynomial.polyval(x, slope)
            # Of a force that the curve does not reach, Newton's method wanders for ever.
            away = np.abs(self.force_kN(x) - force_kN)
        met = away <= 1e-9 * np.maximum(1.0, np.abs(force_kN))
        if not np.all(met & (gradient * self.coefficients[1] > 0.0)):
            msg = "the calibration curve does not reach that force on its rising branch"
            raise ValueError(msg)
        return np.asarray(x)

    def _held_deflection(
        self, force_kN: NDArray[np.float64], preload: Preload
    ) -> NDArray[np.float64]:
        """As ``deflection``: beyond the held part by the curve alone, inside by bisection."""
        size, sign = np.abs(force_kN), np.sign(force_kN)
        held = math.copysign(preload.held_counts, self.coefficients[1])
        edge = np.abs(self.force_kN(np.asarray(held * sign)))
        beyond = sign * np.maximum(size - preload.force_kN, 0.0)
        outside = SenseCurve(self.coefficients).deflection(beyond)
        low, high = np.zeros_like(size), np.ones_like(size)
        for _ in range(60):
            middle = (low + high) / 2.0
            under = np.abs(self.force_kN(middle * held * sign)) < size
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        return np.asarray(np.where(size >= edge, outside, (low + high) / 2.0 * held * sign))


@dataclass(frozen=True, slots=True)
class ShuntExpectation:
    """What the shunt resistor across one bridge arm must show."""

    deflection_counts: float
    """Counts with the shunt minus counts without, at the bench."""
    limit_counts: float
    """Largest difference from it before the check has failed; above 0."""
    resistor: str = ""
    """In words, e.g. ``"87.15 kΩ, 0.02 %, across arm 2"``."""
    temperature_C: float | None = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.deflection_counts) and self.deflection_counts != 0.0):
            got = self.deflection_counts
            msg = f"shunt deflection_counts must be finite and not 0, got {got}"
            raise CertificateError(msg)
        if not (math.isfinite(self.limit_counts) and self.limit_counts > 0.0):
            msg = f"shunt limit_counts must be above 0, got {self.limit_counts}"
            raise CertificateError(msg)


@dataclass(frozen=True, slots=True)
class UncertaintyTable:
    """Standard uncertainty of an indicated force, from the budget, at stated forces."""

    force_kN: tuple[float, ...]
    """Strictly rising; tension +."""
    standard_kN: tuple[float, ...]
    """Combined standard uncertainty at each force."""
    coverage_factor: tuple[float, ...]
    """k for 95 % at each force: U over the combined standard uncertainty."""

    def __post_init__(self) -> None:
        n = len(self.force_kN)
        if n == 0 or len(self.standard_kN) != n or len(self.coverage_factor) != n:
            msg = "uncertainty: force_kN, standard_kN and coverage_factor need the same length"
            raise CertificateError(msg)
        forces = np.asarray(self.force_kN, dtype=np.float64)
        if not np.all(np.isfinite(forces)) or bool(np.any(np.diff(forces) <= 0.0)):
            msg = "uncertainty: force_kN must rise strictly"
            raise CertificateError(msg)
        if not all(math.isfinite(u) and u >= 0.0 for u in self.standard_kN):
            msg = "uncertainty: standard_kN must be finite and not negative"
            raise CertificateError(msg)
        if not all(math.isfinite(k) and k >= 1.0 for k in self.coverage_factor):
            msg = "uncertainty: coverage_factor must be finite and at least 1"
            raise CertificateError(msg)

    def _at(self, force_kN: ArrayLike, values: tuple[float, ...]) -> NDArray[np.float64]:
        force = np.asarray(force_kN, dtype=np.float64)
        low, high = self.force_kN[0], self.force_kN[-1]
        if low >= 0.0:  # one sense only: the other is answered alike and flagged elsewhere
            force = np.abs(force)
        elif high <= 0.0:
            force = -np.abs(force)
        return np.asarray(np.interp(force, self.force_kN, values))

    def standard_at(self, force_kN: ArrayLike) -> NDArray[np.float64]:
        """Interpolated between the stated forces; beyond them in proportion to force."""
        force = np.asarray(force_kN, dtype=np.float64)
        u = self._at(force, self.standard_kN)
        end = max(abs(self.force_kN[0]), abs(self.force_kN[-1]))
        if end > 0.0:
            u = u * np.maximum(1.0, np.abs(force) / end)
        return np.asarray(u)

    def coverage_at(self, force_kN: ArrayLike) -> NDArray[np.float64]:
        """k for 95 %, interpolated between the stated forces."""
        return self._at(force_kN, self.coverage_factor)
