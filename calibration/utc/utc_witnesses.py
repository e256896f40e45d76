"""What is known of the time of day: witnesses, each of which may lie, and what they said.

A receiver lies by whole turns of 1024 weeks, by a day at midnight, by leap seconds it has not
learnt, and by how late it speaks; a computer's clock by a flat battery, a wrong time zone, or
hours without a time server; a sheet by the day somebody forgot to change; pulses by their other
edge, or by the sentence that numbers them. No figure here is believed for its own sake.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Self

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

__all__ = ["Standing", "UtcEvidence", "UtcJudgement", "Witness", "WitnessKind"]


class WitnessKind(StrEnum):
    """Who says something about UTC."""

    RECEIVER = "receiver"
    PULSES = "pulses per second"
    COMPUTER = "computer's clock"
    TRIP = "trip sheet's date"
    BUILD = "date of this version"


class Standing(StrEnum):
    """What came of a witness."""

    AGREES = "agrees"
    ALONE = "stands alone"
    """Nothing contradicts it, and nothing confirms it."""
    DOUBTED = "doubted"
    """Another witness says otherwise, and which of them is right is not known."""
    REFUTED = "refuted"
    SILENT = "says nothing"


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """One witness and what came of it."""

    kind: WitnessKind
    standing: Standing
    words: str

    @property
    def in_words(self) -> str:
        """One line."""
        return f"{self.kind}: {self.standing}; {self.words}"


@dataclass(frozen=True, slots=True, kw_only=True)
class UtcJudgement:
    """Whether UTC is known, how well, and by whom."""

    known: bool
    why: str
    """One sentence: why it is known no better, or not at all; empty when all agree."""
    witnesses: tuple[Witness, ...] = ()
    delay_s: float = math.nan
    """Delay of the receiver's sentences after the second, measured by pulses; NaN: not."""
    u_delay_s: float = math.nan
    """Standard uncertainty of how long before its receipt a fix of the receiver was true; NaN:
    there is no receiver."""
    fast_by: float = 0.0
    """How much faster the receiver's seconds run than the computer's, s/s; 0 where no more than
    clocks may differ."""
    corrected_s: float = 0.0
    """Added to what the receiver says: whole days, turns of 1024 weeks, a wrong number."""

    @property
    def contradicted(self) -> bool:
        """Whether any witness is doubted or refuted."""
        odd = (Standing.DOUBTED, Standing.REFUTED)
        return any(witness.standing in odd for witness in self.witnesses)

    @property
    def in_words(self) -> list[str]:
        """A line each: the sum of it, then every witness."""
        head = "UTC is known" if self.known else "UTC is not known"
        lines = [f"{head}: {self.why}" if self.why else f"{head}: its witnesses agree"]
        return [*lines, *(witness.in_words for witness in self.witnesses)]

    def to_dict(self) -> dict[str, Any]:
        """Plain data for the file."""
        data = asdict(self)
        for name in ("delay_s", "u_delay_s"):
            data[name] = None if math.isnan(data[name]) else data[name]
        return data

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Inverse of :meth:`to_dict`.

        Raises
        ------
        KeyError, TypeError, ValueError
            The data are not a judgement's; files may be damaged.
        """
        delay_s, u_delay_s = data.get("delay_s"), data.get("u_delay_s")
        return cls(
            known=data["known"] is True,
            why=str(data["why"]),
            witnesses=tuple(
                Witness(
                    kind=WitnessKind(row["kind"]),
                    standing=Standing(row["standing"]),
                    words=str(row["words"]),
                )
                for row in data["witnesses"]
            ),
            delay_s=math.nan if delay_s is None else float(delay_s),
            u_delay_s=math.nan if u_delay_s is None else float(u_delay_s),
            fast_by=float(data.get("fast_by", 0.0)),
            corrected_s=float(data.get("corrected_s", 0.0)),
        )


def _no_times() -> NDArray[np.float64]:
    return np.empty(0)


def _no_utc() -> NDArray[np.int64]:
    return np.empty(0, np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class UtcEvidence:
    """Everything that witnesses left behind in a run."""

    sentence_t_s: NDArray[np.float64] = field(default_factory=_no_times)
    """(n,) run time at which each valid sentence was received, never falling."""
    sentence_utc_ns: NDArray[np.int64] = field(default_factory=_no_utc)
    """(n,) UTC in it."""
    sentence_kind: NDArray[np.bytes_] = field(default_factory=lambda: np.empty(0, "S3"))
    """(n,) ``RMC``, ``ZDA`` or ``GGA``."""
    pulse_t_s: NDArray[np.float64] = field(default_factory=_no_times)
    """(p,) run time of pulses per second."""
    pulse_u_s: float = 0.0
    """Standard uncertainty of those run times, of the counter's own tie to run time."""
    pulses_checked: bool = False
    """The car sheet states that the counted edge was checked to be the one on the second."""
    computer_t_s: NDArray[np.float64] = field(default_factory=_no_times)
    """(c,) run time at which the computer's clock was read, rising."""
    computer_utc_ns: NDArray[np.int64] = field(default_factory=_no_utc)
    """(c,) what it said."""
    computer_error_s: float = math.nan
    """Greatest error of the computer's clock, by its own account of a time server; NaN: none."""
    delay_s: float | None = None
    """Least delay of the sentences after the second, as the car sheet states it."""
    u_delay_s: float | None = None
    trip_ns: tuple[int, int] | None = None
    """UTC between which the trip sheet's day lies, at any place on Earth."""
    built_ns: int = 0
    """UTC before which this version was not yet made."""
    sleeps: tuple[tuple[float, float], ...] = ()
    """(run time, s): the machine slept, and run time stood still for so long."""
    simulated: bool = False
    """Time was fast or slow on purpose: the computer's clock is no witness of it."""

    def awake_s(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Run time of (n,) run times as if the machine had never slept, s."""
        if not self.sleeps:
            return t_s
        at, slept = np.array(self.sleeps, np.float64).T
        total = np.concatenate([[0.0], np.cumsum(slept)])
        return np.asarray(t_s + total[np.searchsorted(at, t_s, side="right")])
