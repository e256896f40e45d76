"""Where the run lay on the route: the result of placing, with its uncertainty."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from recorder.track.placing.errors import PlacingError
from recorder.track.placing.wheel_track import Break, BreakCause, join

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["COVERAGE", "MarkFit", "MarkUse", "Placement"]

COVERAGE: Final = 2.0
"""Coverage factor of the stated 95 % interval (k = 2, JCGM 100:2008, 6.3.3)."""


class MarkUse(StrEnum):
    """What placing made of a milepost mark. Companions and results hold these words."""

    USED = "used"
    RENUMBERED = "renumbered"
    """Used, but at another post than its number says."""
    DOUBLED = "doubled"
    """A second key-down at one post."""
    OUTLIER = "outlier"
    """At no post."""
    NO_POST = "no post"
    """The route has none."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkFit:
    """One milepost mark against the fitted run."""

    mark_id: str
    t_s: float
    label: str
    """As keyed."""
    status: MarkUse
    milepost: str = ""
    """The post it was matched to."""
    chainage_m: float | None = None
    """Of that post."""
    residual_m: float | None = None
    """Fitted position, crew's mean delay taken off, minus the post, + up the chainage; from a
    fit without this mark."""
    number_residual_m: float | None = None
    """The same against the post that carries the number keyed; ``None`` when none does."""
    residual_s: float | None = None
    """The same as time: + keyed late, beyond the crew's mean delay."""
    expected_m: float | None = None
    """Standard deviation expected of the residual."""


@dataclass(frozen=True, kw_only=True)
class Placement:
    """The run on the route. Arrays are (k,) knots; between them the wheel interpolates."""

    t_s: NDArray[np.float64]
    d_m: NDArray[np.float64]
    """Wheel distance as recorded, joined across breaks."""
    s_m: NDArray[np.float64]
    """Chainage."""
    u_m: NDArray[np.float64]
    """Standard uncertainty of the chainage."""
    way: int
    """+1 when the wheel counting up moves up the chainage."""
    scale: float
    """True metres per nominal metre of the wheel, mean over the run."""
    u_scale: float
    scale_first: float
    scale_last: float
    reaction_s: float
    """The crew's mean delay from post to key, as assumed and fitted."""
    u_reaction_s: float
    reaction_sd_s: float
    """Scatter of one key-down."""
    marks: tuple[MarkFit, ...]
    skipped: tuple[str, ...]
    """Posts passed with no mark."""
    gnss_used: int = 0
    gnss_rejected: int = 0
    breaks: tuple[Break, ...] = ()
    notes: tuple[str, ...] = ()

    def position(self, t_s: ArrayLike, d_m: ArrayLike) -> NDArray[np.float64]:
        """Chainage of the car (n,) at run times (n,) with raw wheel distances (n,), metres."""
        i, x, d = self._between(t_s, d_m)
        e0 = self.s_m - self.way * self.scale * self.d_m
        error = e0[i] + x * (e0[i + 1] - e0[i])
        return np.asarray(self.way * self.scale * d + error)

    def u95_m(self, t_s: ArrayLike, d_m: ArrayLike) -> NDArray[np.float64]:
        """Expanded uncertainty (95 %) of :meth:`position`, (n,) metres."""
        i, x, _ = self._between(t_s, d_m)
        variance = self.u_m**2
        return COVERAGE * np.sqrt(variance[i] + x * (variance[i + 1] - variance[i]))

    def _between(
        self, t_s: ArrayLike, d_m: ArrayLike
    ) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
        """Knot before, how far to the next (0 … 1, by distance), joined distance."""
        t = np.asarray(t_s, dtype=np.float64)
        d = join(self.breaks, t, np.asarray(d_m, dtype=np.float64))
        i = np.clip(np.searchsorted(self.t_s, t, side="right") - 1, 0, self.t_s.size - 2)
        step = np.diff(self.d_m)
        span = step[i]
        moved = np.abs(span) > _STANDING_M
        by_distance = (d - self.d_m[i]) / np.where(moved, span, 1.0)
        by_time = (t - self.t_s[i]) / np.maximum(self.t_s[i + 1] - self.t_s[i], 1e-9)
        return i, np.clip(np.where(moved, by_distance, by_time), 0.0, 1.0), d

    @property
    def posts_used(self) -> int:
        """Milepost marks that the fit goes by."""
        return sum(m.status in (MarkUse.USED, MarkUse.RENUMBERED) for m in self.marks)

    @property
    def scale_is_seen(self) -> bool:
        """Whether posts or fixes tell the wheel's scale; without them it is what was assumed."""
        return bool(self.posts_used or self.gnss_used)

    @property
    def rolled_m(self) -> float:
        """Metres that the wheel rolled, forward and back."""
        return float(np.abs(np.diff(self.d_m)).sum())

    @property
    def greatest_u95_m(self) -> float:
        """The least certain place of the run, 95 %."""
        return float(COVERAGE * self.u_m.max())

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready: everything, knots rounded to 0.1 mm."""
        data = dict(self.__dict__)
        for name in _ARRAYS:
            data[name] = [round(v, 4) for v in data[name].tolist()]
        data["marks"] = [asdict(m) for m in self.marks]
        data["breaks"] = [asdict(b) for b in self.breaks]
        data["skipped"], data["notes"] = list(self.skipped), list(self.notes)
        return data

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Placement:
        """Inverse of :meth:`to_dict`.

        Raises
        ------
        PlacingError
            The dictionary is no placement.
        """
        try:
            given = {k: v for k, v in data.items() if k in cls.__dataclass_fields__}
            for name in _ARRAYS:
                given[name] = np.array(given[name], dtype=np.float64)
            given["marks"] = tuple(
                MarkFit(**{**m, "status": MarkUse(m["status"])}) for m in given["marks"]
            )
            given["breaks"] = tuple(
                Break(**{**b, "cause": BreakCause(b.get("cause", BreakCause.LOST))})
                for b in given["breaks"]
            )
            given["skipped"], given["notes"] = tuple(given["skipped"]), tuple(given["notes"])
            return cls(**given)
        except (KeyError, TypeError, ValueError) as error:
            msg = f"what is kept is no placement of this version: {error}"
            raise PlacingError(msg) from error


_ARRAYS: Final = ("t_s", "d_m", "s_m", "u_m")
_STANDING_M: Final = 0.05
