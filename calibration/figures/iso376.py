"""ISO 376: relative errors of a force-proving instrument, and their limits by class.

X₁, X₂ rising series at one position; X₃, X₅ rising at two rotated positions; X₄′, X₆′ falling
after X₃ and X₅; all zero-reduced. Formulas and class table of ISO 376:2011,
from memory: the standard itself is to be at hand before a certificate cites it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.readings.positions import by_position, same_position
from calibration.statistics.polynomial_fit import fit_polynomial

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from calibration.readings.load_series import Branch, LoadSeries

__all__ = [
    "CLASSES",
    "ERROR_NAMES",
    "FORCE_UNCERTAINTY",
    "LIMITS",
    "MIN_SHARE",
    "MIN_STEPS",
    "SOURCE",
    "Equation",
    "IsoErrors",
    "Programme",
    "iso_equation",
    "iso_errors",
    "iso_series",
]

SOURCE: Final = "ISO 376:2011, from memory"
CLASSES: Final = ("00", "0.5", "1", "2")
LIMITS: Final[Mapping[str, Mapping[str, float]]] = MappingProxyType(
    {
        "00": {"b": 0.05, "b'": 0.025, "fc": 0.025, "f0": 0.012, "v": 0.07, "c": 0.025},
        "0.5": {"b": 0.10, "b'": 0.05, "fc": 0.05, "f0": 0.025, "v": 0.15, "c": 0.05},
        "1": {"b": 0.20, "b'": 0.10, "fc": 0.10, "f0": 0.050, "v": 0.30, "c": 0.10},
        "2": {"b": 0.40, "b'": 0.20, "fc": 0.20, "f0": 0.10, "v": 0.50, "c": 0.20},
    }
)
"""Largest magnitude of each relative error, %, by class."""
FORCE_UNCERTAINTY: Final = MappingProxyType({"00": 0.01, "0.5": 0.02, "1": 0.05, "2": 0.10})
"""Largest expanded relative uncertainty of the applied force, %, by class."""
MIN_STEPS: Final = MappingProxyType({"00": 4000, "0.5": 2000, "1": 1000, "2": 500})
"""Lowest force in steps of the indication, by class."""
MIN_SHARE: Final = 0.02
"""Lowest force in any class as a share of the capacity, or of the largest force."""
ERROR_NAMES: Final = MappingProxyType(
    {
        "b": "reproducibility b",
        "b'": "repeatability b'",
        "fc": "interpolation f_c",
        "f0": "zero f_0",
        "v": "reversibility v",
        "c": "creep c",
        "r": "resolution r",
        "U": "uncertainty of the applied force",
        "low": "lowest force",
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class IsoErrors:
    """Relative errors in %, each (levels,)."""

    mean_rotated: NDArray[np.float64]
    """X̄ᵣ, mean of the rising series at different positions."""
    b: NDArray[np.float64]
    b_prime: NDArray[np.float64]
    v: NDArray[np.float64] | None


def iso_errors(
    x1: ArrayLike,
    x2: ArrayLike,
    rotated: ArrayLike,
    falling: tuple[ArrayLike, ArrayLike] | None,
) -> IsoErrors:
    """Reproducibility, repeatability, reversibility.

    ``b = 100 |X_max − X_min| / X̄ᵣ`` over X₁, X₃, X₅; ``b' = 100 |X₂ − X₁| / X̄_wr``;
    ``v = (v₁ + v₂)/2``, ``v₁ = 100 |X₄′ − X₃| / X₃``, ``v₂`` alike from X₆′ and X₅.

    Parameters
    ----------
    x1, x2 : (levels,) rising at the first position
    rotated : (k, levels), k ≥ 2, rising at other positions, X₃ and X₅ first
    falling : (k, levels) falling, beside the rising ones of the same series (k, levels)
    """
    first, second = np.asarray(x1, dtype=np.float64), np.asarray(x2, dtype=np.float64)
    turned = np.asarray(rotated, dtype=np.float64)
    all_rotated = np.vstack((first[None, :], turned))
    mean = all_rotated.mean(axis=0)
    v = None
    if falling is not None:
        down, up = (np.asarray(part, dtype=np.float64) for part in falling)
        v = np.mean(100.0 * np.abs((down - up) / up), axis=0)
    return IsoErrors(
        mean_rotated=mean,
        b=100.0 * np.abs(np.ptp(all_rotated, axis=0) / mean),
        b_prime=100.0 * np.abs((second - first) / ((first + second) / 2.0)),
        v=v,
    )


@dataclass(frozen=True, slots=True)
class Programme:
    """Which branches are X₁, X₂, the rotated ones, and the falling ones with their rising."""

    x1: Branch
    x2: Branch
    rotated: tuple[Branch, ...]
    falling: tuple[tuple[Branch, Branch], ...]

    @property
    def positions_deg(self) -> tuple[float, ...]:
        """Of X₁ and the rotated series, 0 to 360."""
        return tuple(b.position_deg % 360.0 for b in (self.x1, *self.rotated))

    @property
    def runs(self) -> tuple[tuple[int, ...], ...]:
        """Series of each time the force was raised: one, or two where it fell in another."""
        found = []
        for up in (self.x1, self.x2, *self.rotated):
            down = [d.series for d, u in self.falling if u is up and d.series != up.series]
            found.append((up.series, *down))
        return tuple(found)


def iso_series(loads: LoadSeries) -> Programme | str:
    """The series among the branches, or what is missing in words."""
    if not loads.branches:
        return "the series are not stated"
    rising = [branch for branch in loads.branches if branch.direction > 0]
    if any(math.isnan(branch.position_deg) for branch in rising):
        return "the positions of the runs are not stated"
    if not rising:
        return "no run is known to be rising"
    places = by_position([branch.position_deg for branch in rising])
    several = [place for place in places if len(place) >= 2]
    if not several:
        return "no two rising series at the same position"
    home = [rising[i] for i in several[0]]
    others = [rising[place[0]] for place in places if place is not several[0]]
    rotated = sorted(others, key=lambda branch: branch.first_row)
    if len(rotated) < 2:
        return f"{len(rotated)} rotated position(s) with a rising series; two needed"
    complete = [home[0], home[1], *rotated]
    if any(np.any(np.isnan(branch.at)) for branch in complete):
        return "not every force was taken in each rising series"
    return Programme(home[0], home[1], tuple(rotated), _falling(loads, rotated))


def _falling(loads: LoadSeries, rotated: list[Branch]) -> tuple[tuple[Branch, Branch], ...]:
    """Each rotated rising branch with the falling one at its position, where there is one."""
    pairs = []
    for up in rotated:
        for branch in loads.branches:
            if branch.direction < 0 and same_position(branch.position_deg, up.position_deg):
                pairs.append((branch, up))
                break
    return tuple(pairs)


@dataclass(frozen=True, slots=True, kw_only=True)
class Equation:
    """Deflection from force: the very curve that is printed, and on which f_c is judged."""

    coefficients: tuple[float, ...]
    """Of rising powers of force, file's own units, to the digits that are printed."""

    @property
    def degree(self) -> int:
        return len(self.coefficients) - 1

    def at(self, force: ArrayLike) -> NDArray[np.float64]:
        """(n,) force, own unit, to (n,) deflection."""
        x = np.asarray(force, dtype=np.float64)
        total = np.zeros_like(x)
        for c in reversed(self.coefficients):
            total = total * x + c
        return total


def iso_equation(forces: ArrayLike, mean_rotated: ArrayLike, *, degree: int) -> Equation | None:
    """Least squares through the means X̄ᵣ (levels,); of degree 3 at most.

    None where the forces are too few to leave anything over.
    """
    levels = np.asarray(forces, dtype=np.float64)
    terms = min(degree, 3, max(1, len(levels) - 2))
    if len(levels) <= terms + 1:
        return None
    fit = fit_polynomial(levels, mean_rotated, terms)
    return Equation(coefficients=tuple(float(f"{c:.12g}") for c in fit.coefficients))
