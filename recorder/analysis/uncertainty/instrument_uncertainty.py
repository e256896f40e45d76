"""What the instruments are worth: the causes that every figure of a run shares."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.analysis.uncertainty.causes import UncertaintyCause
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
    """Shared by every run that used the same certificate."""
    zero_u_kN: float
    zero_cause: UncertaintyCause
    wheel_rel_u: float
    wheel_cause: UncertaintyCause
    wheel_scale: float = 1.0
    """By which speed and distance of the certificate were multiplied."""

    def pulls_u_kN(self, force_kN: NDArray[np.float64]) -> NDArray[np.float64]:
        """Standard uncertainty of the calibration (n,) at forces (n,), by straight lines
        between 41 forces: a curve of a certificate is smooth, and a run has many bins.
        """
        top = max(float(np.nanmax(np.abs(force_kN), initial=0.0)), 1e-9)
        at = np.linspace(-top, top, 41)
        return np.interp(np.nan_to_num(force_kN), at, [self.pull_u_kN(float(f)) for f in at])

    def pull(self, value_kN: float) -> Measured:
        """A pull as the instruments show it, kN."""
        return self.with_pull(Measured(value_kN, "kN"), value_kN)

    def with_pull(self, value: Measured, at_kN: float) -> Measured:
        """A mean in kN with the calibration's part at a pull, and the zero's."""
        calibrated = value.with_part(self.pull_cause, self.pull_u_kN(at_kN))
        return calibrated.with_part(self.zero_cause, self.zero_u_kN)

    def power(self, value_kW: float, *, pull_kN: float, speed_m_s: float) -> Measured:
        """A mean power, kW, made by a mean pull at a mean speed."""
        v = abs(speed_m_s)
        return Measured(
            value_kW,
            "kW",
            {
                self.pull_cause: self.pull_u_kN(pull_kN) * v,
                self.zero_cause: self.zero_u_kN * v,
                self.wheel_cause: abs(value_kW) * self.wheel_rel_u,
            },
        )

    def work(self, value_kJ: float, *, pull_kN: float, metres: float) -> Measured:
        """Work over a distance, kJ, done by a mean pull."""
        return Measured(
            value_kJ,
            "kJ",
            {
                self.pull_cause: self.pull_u_kN(pull_kN) * metres,
                self.zero_cause: self.zero_u_kN * metres,
                self.wheel_cause: self.wheel_rel_u * value_kJ,
            },
        )
