"""How the mass of the train lies along it, measured from the dynamometer coupler."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from recorder.sheets import TripSheet

__all__ = ["Body", "TrainShape"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """Masses on lengths, e.g. the locomotive, or all that trails behind the coupler.

    Each part is spread evenly from ``rear_m`` to ``front_m`` (offsets from the coupler, +
    towards the locomotive). A part without length weighs at one point.
    """

    rear_m: NDArray[np.float64]
    front_m: NDArray[np.float64]
    mass_t: NDArray[np.float64]

    @classmethod
    def of(cls, parts: Sequence[tuple[float, float, float]]) -> Body:
        """From ``(rear_m, front_m, mass_t)``.

        Raises
        ------
        ValueError
            A front behind its rear, a mass that is not above zero, or no part.
        """
        table = np.array(parts, dtype=np.float64).reshape(-1, 3)
        if table.size == 0 or not np.all(np.isfinite(table)):
            msg = "a train body needs at least one part with numbers"
            raise ValueError(msg)
        if np.any(table[:, 1] < table[:, 0]) or np.any(table[:, 2] <= 0):
            msg = "a part of the train has its front behind its rear, or no mass"
            raise ValueError(msg)
        return cls(rear_m=table[:, 0], front_m=table[:, 1], mass_t=table[:, 2])

    @property
    def total_t(self) -> float:
        """Mass in tonnes."""
        return float(self.mass_t.sum())

    @property
    def span_m(self) -> tuple[float, float]:
        """Rearmost and foremost offset."""
        return float(self.rear_m.min()), float(self.front_m.max())

    def weights(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Offsets and weights: Σ weight·F(offset) is the mean of F' over the mass, for a
        function F of the offset. Parts without length are spread over a centimetre.
        """
        length = self.front_m - self.rear_m
        thin = length < _POINT_M
        rear = np.where(thin, 0.5 * (self.rear_m + self.front_m - _POINT_M), self.rear_m)
        front = np.where(thin, rear + _POINT_M, self.front_m)
        density = self.mass_t / (front - rear) / self.total_t
        offsets = np.concatenate((rear, front))
        unique, place = np.unique(np.round(offsets, 6), return_inverse=True)
        weights = np.bincount(place, np.concatenate((-density, density)), unique.size)
        used = np.abs(weights) > 1e-9 * np.abs(weights).max()
        return unique[used], weights[used]


_POINT_M = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class TrainShape:
    """The train along the track; offsets from the measuring coupler, + to the locomotive."""

    locomotive: Body | None
    trailing: Body | None
    notes: tuple[str, ...] = ()
    """What the trip sheet did not say and what was done instead."""

    @property
    def front_m(self) -> float:
        """Offset of the foremost point known."""
        return self.locomotive.span_m[1] if self.locomotive else 0.0

    @property
    def rear_m(self) -> float:
        """Offset of the rearmost point known (negative)."""
        return self.trailing.span_m[0] if self.trailing else 0.0

    @classmethod
    def from_trip(cls, trip: TripSheet) -> TrainShape:
        """Lay out locomotive, test car and consist as the trip sheet gives them.

        The coupler is between the locomotive and the test car. Cars of a group share its mass
        and length evenly. What has no length stated weighs at one point, and a note says so.
        """
        notes: list[str] = []
        locomotive = _block(trip.locomotive, "locomotive", notes)
        front: Body | None = None
        if locomotive is not None:
            mass, length = locomotive
            front = Body.of([(0.0, length, mass)])
        parts: list[tuple[float, float, float]] = []
        back = 0.0
        for thing, name in _behind(trip):
            block = _block(thing, name, notes)
            if block is not None:
                mass, length = block
                parts.append((back - length, back, mass))
                back -= length
        return cls(
            locomotive=front, trailing=Body.of(parts) if parts else None, notes=tuple(notes)
        )


def _behind(trip: TripSheet) -> list[tuple[Any, str]]:
    out: list[tuple[Any, str]] = []
    if trip.test_car is not None:
        out.append((trip.test_car, "test car"))
    consist = trip.consist
    if consist is not None:
        groups = tuple(consist.cars)
        out += [(g, g.name or "cars") for g in groups] if groups else [(consist, "consist")]
    return out


# Vehicles, groups and consists share names of fields, and no class.
def _block(thing: Any, name: str, notes: list[str]) -> tuple[float, float] | None:  # noqa: ANN401
    """Mass and length of a vehicle, a group of cars or a consist given by totals."""
    if thing is None:
        return None
    count = getattr(thing, "count", 1) or 1
    grouped = hasattr(thing, "load_t")
    each = (thing.mass_t or 0.0) + ((thing.load_t or 0.0) if grouped else 0.0)
    mass = each * (count if grouped else 1)
    length = (thing.length_m or 0.0) * (count if grouped else 1)
    if mass <= 0:
        if name != "test car" or length <= 0:
            notes.append(f"{name}: no mass stated, left out of the averages")
        return None
    if length <= 0:
        notes.append(f"{name}: no length stated, taken as one point")
    return mass, length
