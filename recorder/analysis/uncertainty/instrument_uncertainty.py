"""What the instruments are worth: the causes that every figure of a run shares."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.uncertainty.causes import CauseKind, UncertaintyCause
from recorder.analysis.uncertainty.measured import Measured

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["InstrumentUncertainty"]


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentUncertainty:
    """Standard uncertainties common to a whole run, and their causes."""

    pull_u_kN: Callable[[float], float]
    """Standard uncertainty of the calibration at a force in kN."""
    pull_cause: UncertaintyCause
    """Shared by every run that used the same certificate; of what rises with the force."""
    zero_u_kN: float
    zero_cause: UncertaintyCause
    wheel_rel_u: float
    wheel_cause: UncertaintyCause
    wheel_scale: float = 1.0
    """By which speed and distance of the certificate were multiplied."""
    certified_rel_u: float = 0.0
    """Relative standard uncertainty of speed and distance before the route was asked."""

    @property
    def unloaded_cause(self) -> UncertaintyCause:
        """Of what the calibration is uncertain by without a force."""
        return UncertaintyCause(CauseKind.UNLOADED, self.pull_cause.label)

    def pulls_u_kN(self, force_kN: NDArray[np.float64]) -> NDArray[np.float64]:
        """Standard uncertainty of the calibration (n,) at forces (n,), by straight lines
        between 161 forces: a curve of a certificate is smooth, and a run has many bins.
        """
        top = max(float(np.nanmax(np.abs(force_kN), initial=0.0)), 1e-9)
        at = np.linspace(-top, top, 161)
        return np.interp(np.nan_to_num(force_kN), at, [self.pull_u_kN(float(f)) for f in at])

    def calibration_kJ(
        self, force_kN: NDArray[np.float64], metres: NDArray[np.float64]
    ) -> dict[UncertaintyCause, float]:
        """Signed parts of the work of forces (n,) over metres (n,) each."""
        return self._parts(force_kN, self.pulls_u_kN(force_kN), metres)

    def calibration(
        self, force_kN: float, factor: float = 1.0
    ) -> dict[UncertaintyCause, float]:
        """Signed parts of a figure that goes by a factor with one force, in quadrature its whole
        calibration there.
        """
        whole = np.array([self.pull_u_kN(force_kN)])
        return self._parts(np.array([force_kN]), whole, np.array([factor]))

    def _parts(
        self,
        force_kN: NDArray[np.float64],
        whole_kN: NDArray[np.float64],
        weight: NDArray[np.float64],
    ) -> dict[UncertaintyCause, float]:
        """What a calibration is uncertain by without a force moves all readings one way, the rest
        those of tension and of buff opposite ways.
        """
        unloaded = np.minimum(self.pull_u_kN(0.0), whole_kN)
        rising = np.sign(force_kN) * np.sqrt(whole_kN**2 - unloaded**2)
        parts = {
            self.pull_cause: float(rising @ weight),
            self.unloaded_cause: float(unloaded @ weight),
        }
        return {cause: part for cause, part in parts.items() if part != 0.0}

    def pull(self, value_kN: float) -> Measured:
        """A pull as the instruments show it, kN."""
        return self.with_pull(Measured(value_kN, "kN"), value_kN)

    def with_pull(self, value: Measured, at_kN: float) -> Measured:
        """A mean in kN with the calibration's part at a pull, and the zero's."""
        for cause, part in self.calibration(at_kN).items():
            value = value.with_part(cause, part)
        return value.with_part(self.zero_cause, self.zero_u_kN)

    def power(self, value_kW: float, *, pull_kN: float, speed_m_s: float) -> Measured:
        """A mean power, kW, made by a mean pull at a mean speed."""
        v = abs(speed_m_s)
        parts = self.calibration(pull_kN, v) | {
            self.zero_cause: self.zero_u_kN * v,
            self.wheel_cause: abs(value_kW) * self.wheel_rel_u,
        }
        return Measured(value_kW, "kW", parts)
