"""The zero of a force channel over a run: what was taken, and the line through what was accepted.

One formula for all: live, at the seal, in the analysis and in the report.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final, Self

import numpy as np

from calibration.field.checks import FieldCheck
from calibration.field.zero_guards import GuardAnswer, ZeroGuard, railed, standing
from recorder.run.parts.event import Event, EventKind
from recorder.run.parts.event_numbers import known, number, whole

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "Zero",
    "ZeroLine",
    "ZeroTime",
    "ZeroWish",
    "current_zeros",
    "zero_lines",
    "zeros_of",
]

CUT_SHORT: Final = (
    "its words are cut short as long as the run is not sealed; the journal has them in full"
)


class ZeroTime(StrEnum):
    """When a zero was taken."""

    BEFORE = "before"
    DURING = "during"
    AFTER = "after"
    SHEET = "sheet"
    """Not taken: the car sheet states it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroWish:
    """What the crew wish of a zero beyond its being taken."""

    force: str = ""
    """Why it is to be accepted though its guards refuse it; empty: it is not."""
    by: str = ""
    """Who says so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Zero:
    """One zero of one channel, accepted or refused, as its newest revision has it.

    Channel and run time name it: a revision is the same zero again with a higher number.
    """

    channel: str
    t_s: float
    """Run time it stands for."""
    counts: float
    """Mean counts with no force on the coupler; NaN when nothing came."""
    u_counts: float = math.nan
    """Standard uncertainty of the mean; NaN when it is not known."""
    accepted: bool = True
    when: ZeroTime = ZeroTime.DURING
    reason: str = ""
    """Why it was refused, or is doubted though accepted; empty when all is well."""
    sd_counts: float = math.nan
    """Standard deviation of single counts."""
    n: int = 0
    """Counts taken."""
    drift_counts: float = math.nan
    """Mean of the last third less mean of the first."""
    seconds: float = math.nan
    """How long it was taken."""
    check: FieldCheck | None = None
    """Against the bench's zero; None when there was nothing to compare."""
    guards: tuple[ZeroGuard, ...] = ()
    """What wheel, receiver, scatter and offset said of it; none of a zero nobody asked them of."""
    forced: str = ""
    """Why the crew had it accepted though a guard refused it; empty when nobody did."""
    withdrawn: str = ""
    """Why it was withdrawn; empty while it stands."""
    restored: str = ""
    """Why it was restored after it had been withdrawn; empty when nobody did."""
    revision: int = 0
    """0 as it was taken; each withdrawal, restoration or acceptance is one more."""
    by: str = ""
    """Who forced, withdrew, restored or accepted it."""
    entered_utc_ns: int = 0
    """When this revision was made, by the wall clock; 0 for the zero as taken."""
    software: str = ""
    """Version that made this revision."""

    @property
    def holds(self) -> bool:
        """Whether the pull is worked from it."""
        return self.accepted and not self.withdrawn

    @property
    def why(self) -> str:
        """The reason that counts by now: of its withdrawal, acceptance, restoration or refusal."""
        return self.withdrawn or self.forced or self.restored or self.reason

    @property
    def stood(self) -> GuardAnswer:
        """Whether the train stood while it was taken, by wheel and receiver."""
        return standing(self.guards)

    @property
    def railed(self) -> bool:
        """Whether its counts stood at a rail of the converter."""
        return railed(self.guards)

    @property
    def text(self) -> str:
        """One line for the crew."""
        head = f"zero {self.counts:.1f} counts"
        if self.withdrawn:
            head = f"ZERO WITHDRAWN ({head}): {self.withdrawn}"
        elif not self.accepted:
            head = "ZERO REFUSED"
        stated = " as the car sheet states" if self.when is ZeroTime.SHEET else ""
        detail = self.reason or ("" if self.check is None else self.check.text)
        forced = f'; FORCED: "{self.forced}"' if self.forced else ""
        forced += f'; restored: "{self.restored}"' if self.restored else ""
        said = f"; {detail}" if detail else ""
        return f"{self.channel}: {head}{stated}{said}{forced}{self._caution}"

    @property
    def _caution(self) -> str:
        if not self.guards or self.stood is not GuardAnswer.NOT_KNOWN:
            return ""
        return "; NOT KNOWN whether the train stood: neither wheel nor receiver tells"

    def to_event(self) -> Event:
        """The event it is kept as; numbers that are not known are null."""
        data: dict[str, Any] = {
            "channel": self.channel,
            "counts": known(self.counts),
            "u_counts": known(self.u_counts),
            "accepted": self.accepted,
            "when": str(self.when),
            "reason": self.reason,
            "sd_counts": known(self.sd_counts),
            "n": self.n,
            "drift_counts": known(self.drift_counts),
            "seconds": known(self.seconds),
            "passed": not self.reason,
            "text": self.text,
            "guards": [guard.to_document() for guard in self.guards],
        }
        if self.check is not None:
            data["check"] = self.check.to_document()
        for name in _WORDS:
            if getattr(self, name):
                data[name] = getattr(self, name)
        if self.revision:
            data |= {"revision": self.revision, "entered_utc_ns": self.entered_utc_ns}
        return Event(kind=EventKind.ZERO, t_s=self.t_s, data=data)

    @classmethod
    def from_event(cls, event: Event) -> Self:
        """The zero of an event, of this version or an older one. Never raises: an event that
        gives no channel, time or counts is a refused zero, and says so."""
        data = event.data
        name, counts = data.get("channel"), number(data.get("counts"))
        sd, n = number(data.get("sd_counts")), whole(data.get("n"))
        accepted, reason = data.get("accepted", True) is True, _reason(data)
        if accepted and not (
            isinstance(name, str) and math.isfinite(counts) and math.isfinite(event.t_s)
        ):
            accepted, reason = False, "the event gives no channel, time or counts to go by"
        if isinstance(data.get("words_cut"), str):
            name, accepted, reason = _cut_name(data["words_cut"]), False, CUT_SHORT
        u = number(data.get("u_counts"))
        if math.isnan(u) and n > 1:
            # Runs of the first version keep the scatter of single counts only.
            u = sd / math.sqrt(n)
        return cls(
            channel=name if isinstance(name, str) else "",
            t_s=event.t_s,
            counts=counts,
            u_counts=u if u >= 0.0 else math.nan,
            accepted=accepted,
            when=_time_of(data.get("when")),
            reason=reason,
            sd_counts=sd,
            n=n,
            drift_counts=number(data.get("drift_counts")),
            seconds=number(data.get("seconds")),
            check=FieldCheck.from_document(data.get("check")),
            guards=_guards(data.get("guards")),
            revision=whole(data.get("revision")),
            entered_utc_ns=whole(data.get("entered_utc_ns")),
            **{name: str(data.get(name) or "") for name in _WORDS},
        )


_WORDS: Final = ("forced", "withdrawn", "restored", "by", "software")
"""Left out of an event when empty."""


@dataclass(frozen=True, slots=True)
class ZeroLine:
    """The zero of one channel over a run: straight between accepted zeros, level outside."""

    t_s: NDArray[np.float64]
    """(k,) run times, rising, k ≥ 1."""
    counts: NDArray[np.float64]
    """(k,) counts with no force on the coupler."""
    u_counts: NDArray[np.float64]
    """(k,) standard uncertainty of each zero; NaN where it is not known."""

    @classmethod
    def through(cls, zeros: Iterable[Zero]) -> Self | None:
        """The line through those of some zeros of one channel that hold, in any order.

        Of several at one run time the last given holds, a revision in the place of its zero.
        None when none holds.
        """
        held: dict[float, Zero] = {}
        for zero in zeros:
            if zero.holds:
                held[zero.t_s] = zero
            elif zero.revision:
                held.pop(zero.t_s, None)
        if not held:
            return None
        rows = np.array([(t, z.counts, z.u_counts) for t, z in sorted(held.items())])
        return cls(rows[:, 0], rows[:, 1], rows[:, 2])

    def at(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """Zero in counts at (...) run times, s."""
        return np.asarray(np.interp(np.asarray(t_s, np.float64), self.t_s, self.counts))

    def along(self, time_s: NDArray[np.float64]) -> float | NDArray[np.float64]:
        """As :meth:`at` for (n,) rising times, but one number where the line is level: no array
        is built for what a live recording does thousands of times a second."""
        if not len(time_s) or time_s[-1] <= self.t_s[0]:
            return float(self.counts[0])
        return float(self.counts[-1]) if time_s[0] >= self.t_s[-1] else self.at(time_s)

    def u_at(self, t_s: ArrayLike) -> NDArray[np.float64]:
        """Standard uncertainty of the zero in counts at (...) run times, s; NaN: not known.

        The zeros' own uncertainty carried along the line, and in quadrature what the zero may
        have done off the line: nothing at a zero; half way between two a rectangular ± half of
        the change between them; beyond the first or last a rectangular ± what it would have
        moved on at the pace last seen, at most the largest change seen. That is what the zeros
        show; one alone shows no drift. ``zero_uncertainty`` adds what they cannot show.
        """
        t = np.asarray(t_s, dtype=np.float64)
        own = np.interp(t, self.t_s, self.u_counts)
        if len(self.t_s) == 1:
            return np.asarray(own)
        changes, steps_s = np.abs(np.diff(self.counts)), np.diff(self.t_s)
        k = np.clip(np.searchsorted(self.t_s, t, side="right") - 1, 0, len(changes) - 1)
        share = np.clip((t - self.t_s[k]) / steps_s[k], 0.0, 1.0)
        between = changes[k] / 2.0 * 4.0 * share * (1.0 - share)
        outside_s = np.maximum(self.t_s[0] - t, 0.0) + np.maximum(t - self.t_s[-1], 0.0)
        beyond = np.minimum(changes[k] / steps_s[k] * outside_s, float(np.max(changes)))
        return np.asarray(np.hypot(own, (between + beyond) / math.sqrt(3.0)))


def zeros_of(events: Iterable[Event]) -> list[Zero]:
    """Every zero among the events of a run and every revision of one, in the order given."""
    return [Zero.from_event(event) for event in events if event.kind == EventKind.ZERO]


def current_zeros(zeros: Iterable[Zero]) -> list[Zero]:
    """Each zero as its newest revision has it, in the order taken."""
    held: list[Zero] = []
    for zero in zeros:
        place = _place_of(zero, held) if zero.revision else None
        if place is None:
            held.append(zero)
        elif zero.revision >= held[place].revision:
            held[place] = zero
    return held


def _place_of(revision: Zero, held: Sequence[Zero]) -> int | None:
    for place in reversed(range(len(held))):
        if (held[place].channel, held[place].t_s) == (revision.channel, revision.t_s):
            return place
    return None


def zero_lines(zeros: Iterable[Zero]) -> dict[str, ZeroLine]:
    """Zero lines by channel; a channel without an accepted zero has none."""
    by_channel: dict[str, list[Zero]] = {}
    for zero in zeros:
        by_channel.setdefault(zero.channel, []).append(zero)
    lines = {name: ZeroLine.through(held) for name, held in by_channel.items()}
    return {name: line for name, line in lines.items() if line is not None}


def _guards(documents: object) -> tuple[ZeroGuard, ...]:
    rows = documents if isinstance(documents, list) else []
    guards = (ZeroGuard.from_document(row) for row in rows)
    return tuple(guard for guard in guards if guard is not None)


def _time_of(value: object) -> ZeroTime:
    try:
        return ZeroTime(str(value))
    except ValueError:
        return ZeroTime.DURING


def _cut_name(words: str) -> str | None:
    """The channel of a zero whose words a file that is not sealed holds cut short."""
    found = re.search(r'"channel": "([^"\\]+)"', words)
    return None if found is None else found[1]


def _reason(data: dict[str, Any]) -> str:
    if "reason" in data:
        return str(data["reason"])
    # Runs of the first version told only in words how it came out.
    well = data.get("accepted", True) is True and data.get("passed", True) is True
    words = str(data.get("text", "no reason was kept"))
    words = words.removeprefix(f"{data.get('channel')}: ")
    return "" if well else words.removeprefix("ZERO REFUSED, ")
