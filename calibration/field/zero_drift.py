"""What the zero of a force cell may do unseen: the one formula, live and in every figure.

By the certificate where its bench measured it, by the usual values of a strain-gauge cell where
not; by time, and by the temperature that was seen to change.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from calibration.certificates.force import ForceCertificate

__all__ = ["UNKNOWN_ZERO", "ZeroDrift", "zero_drift_of"]

UNKNOWN_ZERO: Final = 0.001
"""Standard uncertainty assumed of a zero that was not taken or came without one, as a share of
the capacity (from experience)."""
DRIFT_AT_ONCE: Final = 0.0005
"""Standard uncertainty of an unseen drift as a share of the capacity: zero return after load and
creep of a strain-gauge cell (from experience)."""
DRIFT_PER_HOUR: Final = 0.001
"""And for each hour, of a car that warms up (from experience)."""
MOST_DRIFT: Final = 0.003
"""At most this share by time alone (from experience)."""
DRIFT_PER_K: Final = 2e-5
"""And for each kelvin: 0.02 % of capacity in 10 K (from experience; a cell's data sheet may say
less)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroDrift:
    """Standard uncertainty of what a zero did while nobody looked, in kN."""

    at_once_kN: float
    """As soon as the cell has been loaded: zero return and creep."""
    per_hour_kN: float
    most_kN: float
    """At most this by load and time."""
    per_K_kN: float
    source: str
    """Where the figures come from, in words."""

    def u_kN(self, seconds: ArrayLike, *, span_K: float = 0.0) -> NDArray[np.float64]:
        """Standard uncertainty (...) in kN of the zero, (...) s from the nearest one taken.

        ``span_K`` is the change of temperature that was seen, 0 when none was recorded. At the
        zero itself, 0 s from it, nothing has drifted.
        """
        away_s = np.abs(np.asarray(seconds, dtype=np.float64))
        by_time = np.minimum(
            self.at_once_kN + self.per_hour_kN * away_s / 3600.0,
            max(self.most_kN, self.at_once_kN),
        )
        return np.where(away_s > 0.0, np.hypot(by_time, self.per_K_kN * span_K), 0.0)


def zero_drift_of(certificate: ForceCertificate) -> ZeroDrift:
    """How the zero of a cell may drift, by its certificate or the usual values.

    A bench's zero return and creep are the largest that were seen, its effect of temperature a
    slope: each is a rectangular half width, and its standard uncertainty that over √3.
    """
    figures = _figures(certificate)
    full_kN = max(abs(end) for end in certificate.range_kN) or certificate.capacity_kN
    returned, crept = (_share(figures, name) for name in ("zero_return", "creep"))
    warmed = _share(figures, "temperature_effect_zero")
    capacity = certificate.capacity_kN
    # Without a zero return the creep alone says too little: a cell may creep and not come back.
    by_load = None if returned is None else max(returned, crept or 0.0)
    return ZeroDrift(
        at_once_kN=DRIFT_AT_ONCE * capacity
        if by_load is None
        else by_load * full_kN / math.sqrt(3.0),
        per_hour_kN=DRIFT_PER_HOUR * capacity,
        most_kN=MOST_DRIFT * capacity,
        per_K_kN=DRIFT_PER_K * capacity
        if warmed is None
        else warmed * full_kN / math.sqrt(3.0),
        source=_source(by_load is not None, warmed is not None),
    )


def _source(by_load: bool, by_temperature: bool) -> str:  # noqa: FBT001 - two facts, one use
    stated = ["zero return"] * by_load + ["effect of temperature"] * by_temperature
    if not stated:
        return "values from experience with strain-gauge cells; the certificate states none"
    return f"{' and '.join(stated)} by certificate, else values from experience"


def _figures(certificate: ForceCertificate) -> Mapping[str, object]:
    results = certificate.details.get("results")
    figures = results.get("figures") if isinstance(results, Mapping) else None
    return figures if isinstance(figures, Mapping) else {}


def _share(figures: Mapping[str, object], name: str) -> float | None:
    """Size of a figure in % of full scale as a share; None where it was not assessed."""
    figure = figures.get(name)
    value = figure.get("value") if isinstance(figure, Mapping) else None
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return abs(value) / 100.0 if math.isfinite(value) else None
