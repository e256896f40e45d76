"""Bench readings: one row a reading, as arrays with the file row of each.

They stand in the order taken, but a step taken again follows at once what it replaced.

Applied force is signed, tension +. Everything stays in the file's own units; ``to_kN`` turns
force into SI. ``calibration.readings.readings_csv`` reads them from a file.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final, Self

import numpy as np

from calibration.quantities.units import UnitError, factor, quantity_of
from calibration.readings.reading_doubts import Doubt

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["DIRECTIONS", "HOLD", "KINDS", "Readings", "ReadingsError"]

DIRECTIONS: Final[Mapping[str, int]] = {"up": 1, "down": -1, "": 0}
HOLD: Final = "creep"
"""Kind of a reading of one force that is kept up; only the creep of a cell is told from it."""
KINDS: Final = ("step", "zero", "preload", HOLD, "shunt")


LARGEST: Final = 1e15
"""Of a force, a reading or a time: no press and no converter goes so far, and its fifth power can
still be worked with."""


class ReadingsError(ValueError):
    """Readings that cannot carry a calibration; one line with source and row."""


@dataclass(frozen=True, kw_only=True)
class Readings:
    """n readings; see the module for their order."""

    source: str
    force_unit: str
    reading_unit: str
    """``"reading"`` when the column does not say, else ``counts``, ``mV_V``, …"""
    applied: NDArray[np.float64]
    """(n,) force_unit, tension +."""
    reading: NDArray[np.float64]
    """(n,) as indicated, zero not taken off."""
    series: NDArray[np.int64]
    """(n,) index into ``series_names``; 0 everywhere when no series was stated."""
    series_names: tuple[str, ...]
    """Empty when no series was stated."""
    position_deg: NDArray[np.float64]
    """(n,) NaN where not stated."""
    direction: NDArray[np.int8]
    """(n,) +1 rising, −1 falling, 0 not known."""
    temperature_C: NDArray[np.float64]
    """(n,) NaN where not stated."""
    time_s: NDArray[np.float64]
    """(n,) NaN where not stated."""
    kind: tuple[str, ...]
    """(n,) of ``KINDS``."""
    row: NDArray[np.int64]
    """(n,) row in the file, the header being row 1; a repeat stands by what it replaced."""
    superseded: NDArray[np.bool_]
    """(n,) taken again later with a reason: kept, not used."""
    resolution: float | None
    """Smallest step the readings show, reading_unit; None when it is not known."""
    columns: frozenset[str] = field(default_factory=frozenset)
    """Which optional columns were stated."""
    sd: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    """(n,) standard deviation of the indication while each was taken, reading_unit; NaN where not
    stated; empty where none was."""
    doubts: tuple[tuple[Doubt, ...], ...] = ()
    """(n,) what stood against each when it was taken; of none: see ``doubts_kept``."""
    accepted_because: tuple[str, ...] = ()
    """(n,) why a doubted reading was taken all the same; as long as ``doubts``."""

    def __len__(self) -> int:
        return len(self.applied)

    @property
    def kN_per_unit(self) -> float:
        """kN in one force_unit."""
        return factor(self.force_unit) / 1000.0

    def pick(self, mask: NDArray[np.bool_]) -> Self:
        """The readings where ``mask`` (n,) is true."""
        return self.take(np.flatnonzero(mask))

    def take(self, where: NDArray[np.intp]) -> Self:
        """The readings of these indices (m,), in their order."""
        return replace(
            self,
            applied=self.applied[where],
            reading=self.reading[where],
            series=self.series[where],
            position_deg=self.position_deg[where],
            direction=self.direction[where],
            temperature_C=self.temperature_C[where],
            time_s=self.time_s[where],
            kind=tuple(self.kind[i] for i in where),
            row=self.row[where],
            superseded=self.superseded[where],
            sd=self.sd[where] if len(self.sd) else self.sd,
            doubts=tuple(self.doubts[i] for i in where) if self.doubts else (),
            accepted_because=tuple(self.accepted_because[i] for i in where)
            if self.doubts
            else (),
        )

    @property
    def doubts_kept(self) -> bool:
        """Whether what stood against each reading was kept; where it was not, nothing is known."""
        return "doubts" in self.columns or any(self.doubts)

    def doubted(self, doubt: Doubt) -> NDArray[np.bool_]:
        """(n,) where the doubt stood against the reading."""
        found = [doubt in doubts for doubts in self.doubts] or [False] * len(self)
        return np.array(found, dtype=np.bool_)

    @property
    def used(self) -> NDArray[np.bool_]:
        """(n,) neither superseded nor a preload or shunt reading."""
        kinds = np.array([k in ("step", "zero", HOLD) for k in self.kind], dtype=np.bool_)
        return np.asarray(kinds & ~self.superseded)

    @property
    def held(self) -> NDArray[np.bool_]:
        """(n,) readings of a hold: what the plan or the table calls so, nothing else."""
        return np.array([kind == HOLD for kind in self.kind], dtype=np.bool_)

    def to_document(self) -> dict[str, Any]:
        """Plain JSON columns; NaN becomes null."""
        return {
            "source": self.source,
            "force_unit": self.force_unit,
            "reading_unit": self.reading_unit,
            "applied": self.applied.tolist(),
            "reading": self.reading.tolist(),
            "series": self.series.tolist(),
            "series_names": list(self.series_names),
            "position_deg": _nulls(self.position_deg),
            "direction": self.direction.tolist(),
            "temperature_C": _nulls(self.temperature_C),
            "time_s": _nulls(self.time_s),
            "kind": list(self.kind),
            "row": self.row.tolist(),
            "superseded": self.superseded.tolist(),
            "resolution": self.resolution,
            "columns": sorted(self.columns),
            # Left out when empty: the digests of older certificates stand.
            **({"sd": _nulls(self.sd)} if len(self.sd) else {}),
            **self._doubts_document(),
        }

    def _doubts_document(self) -> dict[str, Any]:
        if not any(self.doubts):
            return {}
        return {
            "doubts": [list(doubts) for doubts in self.doubts],
            "accepted_because": list(self.accepted_because),
        }

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Self:
        """The inverse of ``to_document``; raises ``ReadingsError`` for damaged columns."""
        try:
            made = cls(
                source=str(document["source"]),
                force_unit=str(document["force_unit"]),
                reading_unit=str(document["reading_unit"]),
                applied=_floats(document["applied"]),
                reading=_floats(document["reading"]),
                series=np.array(document["series"], dtype=np.int64),
                series_names=tuple(str(name) for name in document["series_names"]),
                position_deg=_floats(document["position_deg"]),
                direction=np.array(document["direction"], dtype=np.int8),
                temperature_C=_floats(document["temperature_C"]),
                time_s=_floats(document["time_s"]),
                kind=tuple(str(kind) for kind in document["kind"]),
                row=np.array(document["row"], dtype=np.int64),
                superseded=np.array(document["superseded"], dtype=np.bool_),
                resolution=_optional(document["resolution"]),
                columns=frozenset(str(name) for name in document["columns"]),
                sd=_floats(document.get("sd", ())),
                doubts=tuple(
                    tuple(Doubt(word) for word in words) for words in document.get("doubts", ())
                ),
                accepted_because=tuple(str(w) for w in document.get("accepted_because", ())),
            )
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            msg = f"readings of the certificate are damaged ({error})"
            raise ReadingsError(msg) from error
        made.check_shape()
        return made

    def check_shape(self) -> None:
        """Raise ``ReadingsError`` unless every column has the same length and sane values."""
        n = len(self.applied)
        arrays = (
            self.reading, self.series, self.position_deg, self.direction,
            self.temperature_C, self.time_s, self.row, self.superseded,
        )  # fmt: skip
        doubts_fit = len(self.doubts) == len(self.accepted_because) and (
            len(self.doubts) in (0, n)
        )
        if (
            any(a.shape != (n,) for a in arrays)
            or len(self.kind) != n
            or self.sd.shape not in ((0,), (n,))
            or not doubts_fit
        ):
            msg = f"{self.source}: the columns of the readings differ in length"
            raise ReadingsError(msg)
        if not (np.all(np.isfinite(self.applied)) and np.all(np.isfinite(self.reading))):
            msg = f"{self.source}: an applied force or a reading is not finite"
            raise ReadingsError(msg)
        for values in (self.applied, self.reading, self.time_s):
            if np.any(np.abs(values) > LARGEST):
                msg = f"{self.source}: a value of {np.nanmax(np.abs(values)):g} is no reading"
                raise ReadingsError(msg)
        if any(kind not in KINDS for kind in self.kind):
            msg = f"{self.source}: a kind of reading is not one of {', '.join(KINDS)}"
            raise ReadingsError(msg)
        try:
            quantity = quantity_of(self.force_unit)
        except UnitError as error:
            msg = f"{self.source}: {error}"
            raise ReadingsError(msg) from error
        if quantity != "force":
            msg = f"{self.source}: {self.force_unit!r} is not a unit of force"
            raise ReadingsError(msg)


def _nulls(values: NDArray[np.float64]) -> list[float | None]:
    return [None if math.isnan(v) else v for v in values.tolist()]


def _floats(values: Sequence[float | None]) -> NDArray[np.float64]:
    return np.array([math.nan if v is None else float(v) for v in values], dtype=np.float64)


def _optional(value: object) -> float | None:
    # What is no number raises here, and is told where the document is read.
    return None if value is None else float(value)  # type: ignore[arg-type]
