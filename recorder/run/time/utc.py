"""Run time to UTC: judged by its witnesses at the seal, kept as nodes with uncertainty."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from calibration.quantities.bounded_text import bounded_json
from calibration.utc.utc_judgement import judge_utc
from calibration.utc.utc_witnesses import UtcJudgement, WitnessKind
from recorder.run.time.utc_evidence import NO_UTC

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from calibration.utc.utc_witnesses import UtcEvidence
    from recorder.run.parts.header import RunHeader

__all__ = [
    "NO_UTC",
    "UTC_DTYPE",
    "UtcBy",
    "UtcScale",
    "UtcSource",
    "scale_of",
    "utc_text",
    "wall_clock_scale",
]

UTC_DTYPE: Final = np.dtype([("t_s", "<f8"), ("utc_ns", "<i8"), ("u_s", "<f8")])
MOST_NODES: Final = 5_000
"""A node every 9 s of twelve hours: far closer than any clock of a computer bends."""


class UtcBy(StrEnum):
    """What UTC comes from. Run files hold these words."""

    PULSES = "pulse per second"
    SENTENCES = "gnss sentences"
    COMPUTER = "computer's clock"


_BY: Final = {
    WitnessKind.PULSES: UtcBy.PULSES,
    WitnessKind.RECEIVER: UtcBy.SENTENCES,
    WitnessKind.COMPUTER: UtcBy.COMPUTER,
}


def utc_text(utc_ns: int) -> str:
    """ISO 8601 in UTC to the microsecond, with ``Z``."""
    whole, rest = divmod(utc_ns, 10**9)
    moment = datetime.fromtimestamp(whole, UTC).replace(microsecond=rest // 1000)
    return moment.isoformat(timespec="microseconds").replace("+00:00", "Z")


@dataclass(frozen=True, slots=True, kw_only=True)
class UtcSource:
    """What UTC was fitted to."""

    source: UtcBy
    fixes: int = 0
    """Valid clock sentences."""
    pulses: int = 0
    """Pulses per second."""
    why: str = ""
    """Why it is known no better, or not at all."""
    judgement: UtcJudgement | None = None
    """What every witness said; None in files of a version that did not ask them."""

    def to_json(self) -> str:
        """For the file."""
        data: dict[str, Any] = {
            "source": self.source,
            "fixes": self.fixes,
            "pulses": self.pulses,
            "why": self.why,
        }
        if self.judgement is not None:
            data["judgement"] = self.judgement.to_dict()
        return json.dumps(data)

    @classmethod
    def from_json(cls, text: str) -> UtcSource:
        """Inverse of :meth:`to_json`.

        Raises
        ------
        ValueError, TypeError, KeyError
            The text is none; files may be damaged.
        """
        held = bounded_json(text)
        return cls(
            source=UtcBy(held["source"]),
            fixes=int(held.get("fixes", 0)),
            pulses=int(held.get("pulses", 0)),
            why=str(held.get("why", "")),
            judgement=None
            if held.get("judgement") is None
            else UtcJudgement.from_dict(held["judgement"]),
        )


@dataclass(frozen=True, slots=True)
class UtcScale:
    """UTC along a run: straight lines between nodes, the end lines going on."""

    nodes: NDArray[np.void]
    """(k,) of ``UTC_DTYPE``, k ≥ 1, run time rising."""
    source: UtcBy
    judgement: UtcJudgement | None = None
    """What every witness said; None in files of a version that did not ask them."""

    @property
    def known(self) -> bool:
        """Whether UTC is known at all."""
        return bool(np.isfinite(self.nodes["u_s"]).all())

    def utc_ns(self, t_s: ArrayLike) -> NDArray[np.int64]:
        """(...) int64 nanoseconds since 1970-01-01T00:00:00Z at (...) run times, s."""
        t = np.asarray(t_s, dtype=np.float64)
        origin = int(self.nodes["utc_ns"][0])
        t0 = float(self.nodes["t_s"][0])
        # Offsets are small numbers: float64 holds them to well under a nanosecond.
        away_ns = (self.nodes["utc_ns"] - origin) - (self.nodes["t_s"] - t0) * 1e9
        offset = np.interp(t, self.nodes["t_s"], away_ns)
        seconds = np.nan_to_num((t - t0) * 1e9 + offset, posinf=0.0, neginf=0.0)
        return np.asarray(origin + np.rint(seconds).astype(np.int64))

    def u_s(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """(...) float64 standard uncertainty of UTC at (...) run times, s; NaN: not known."""
        t = np.asarray(t_s, dtype=np.float64)
        return np.asarray(np.interp(t, self.nodes["t_s"], self.nodes["u_s"]))


def wall_clock_scale(header: RunHeader) -> UtcScale:
    """UTC by the computer's clock at the start: as good as that clock, which nobody knows."""
    nodes = np.array([(0.0, header.started_utc_ns, np.nan)], UTC_DTYPE)
    return UtcScale(nodes, UtcBy.COMPUTER)


def scale_of(
    header: RunHeader, duration_s: float, evidence: UtcEvidence
) -> tuple[UtcScale, UtcSource]:
    """UTC along a run by its witnesses, and what it goes by.

    Where UTC is not known the scale is the computer's clock at the start, and says so.
    """
    try:
        tie = judge_utc(evidence)
    except (ArithmeticError, ValueError) as error:
        # Numbers that no clock shows: a damaged file, told as what it is.
        words = " ".join(str(error).split())
        why = f"what the witnesses left behind cannot be worked with ({words})"
        unheard = UtcJudgement(known=False, why=why)
        told = UtcSource(source=UtcBy.COMPUTER, why=why, judgement=unheard)
        return replace(wall_clock_scale(header), judgement=unheard), told
    judgement = tie.judgement
    source = _BY[tie.source]
    told = UtcSource(
        source=source,
        fixes=len(evidence.sentence_t_s),
        pulses=len(evidence.pulse_t_s),
        why=judgement.why,
        judgement=judgement,
    )
    if not judgement.known:
        return replace(wall_clock_scale(header), judgement=judgement), told
    at = _node_times(max(duration_s, 1.0), evidence.sleeps)
    nodes = np.zeros(len(at), UTC_DTYPE)
    nodes["t_s"], nodes["utc_ns"], nodes["u_s"] = at, tie.utc_ns(at), tie.u_s(at)
    return UtcScale(nodes, source, judgement), told


def _node_times(end_s: float, sleeps: tuple[tuple[float, float], ...]) -> NDArray[np.float64]:
    """Every ten seconds, at most ``MOST_NODES`` in all; and on both sides of every sleep."""
    even = np.linspace(0.0, end_s, int(min(max(end_s / 10.0, 2), MOST_NODES)) + 1)
    beside = [t + d for t, _ in sleeps[:MOST_NODES] for d in (-1e-6, 0.0)]
    inside = [t for t in beside if 0.0 < t < end_s]
    return np.unique(np.concatenate([even, inside]))
