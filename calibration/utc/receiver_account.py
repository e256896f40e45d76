"""What a receiver says of UTC: its sentences, kind by kind, and the pulses they number."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.statistics.median_scatter import normal_sd
from calibration.utc.run_time_to_utc import (
    NMEA_DELAY_S,
    NMEA_DELAY_U_S,
    UtcFit,
    fit_utc,
)
from calibration.utc.spans import NS
from calibration.utc.utc_witnesses import Standing, Witness, WitnessKind
from calibration.utc.witness_words import apart, moment, turned

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from calibration.utc.computer_line import ComputerLine
    from calibration.utc.utc_witnesses import UtcEvidence

__all__ = [
    "CAUGHT",
    "LEAST_FIXES",
    "ReceiverAccount",
    "receiver_account",
]

LEAST_FIXES: Final = 3
"""Fewer cannot contradict one another: a line passes through any two."""
SAME_S: Final = 0.5
"""Kinds of sentences of one receiver that differ by less say the same second."""
UNCHECKED_EDGE_S: Final = 0.5
"""The other edge of a pulse lies up to so much later (pulses of 1 ms to 500 ms are common)."""
EDGE_BY_DELAY_S: Final = 0.02
AMBIGUOUS_S: Final = 0.3
"""A sentence so soon after a pulse may be 1.2 s late and name the one before it."""
WHOLE_S: Final = 1.0
LATE_S: Final = 10.0
"""A computer that holds its threads up for longer does not record (our choice)."""
PACE_SPAN_S: Final = 20.0
NO_PACE: Final = 1e-3
"""No two clocks that deserve the name differ by so much, s/s (from experience)."""
CLEARLY: Final = 6.0
CAUGHT: Final = 2.0
"""Times the uncertainty of a receiver that was caught in a lie: the rest is trusted less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReceiverAccount:
    """What one receiver says, fitted, and what speaks against it."""

    fit: UtcFit
    evidence: UtcEvidence
    n: int
    kinds: tuple[str, ...]
    """Kinds of sentences the fit goes by."""
    odd_kinds: tuple[tuple[str, float], ...] = ()
    """Kinds that say another second, and by how much, s."""
    fast_by: float = 0.0
    """How much faster its seconds run than the computer's, s/s; 0 where no more than clocks may."""
    pulses_refused: str = ""
    """Why pulses that came are not gone by."""
    turns: int = 0
    """Of 1024 weeks by which its date is behind; put right in the fit."""

    @property
    def by_pulses(self) -> bool:
        """Whether pulses divide the second."""
        return self.fit.by_pulses

    def u_delay_s(self, *, numbered: bool) -> float:
        """Standard uncertainty of how long before its receipt a fix was true, s."""
        if self.by_pulses:
            open_s = (self.evidence.pulse_u_s, *self._pulses(numbered))
            return math.hypot(self.fit.scatter_s, *open_s)
        stated = self.evidence.u_delay_s
        return NMEA_DELAY_U_S if stated is None else stated

    @property
    def source(self) -> WitnessKind:
        """Who the tie goes by."""
        return WitnessKind.PULSES if self.by_pulses else WitnessKind.RECEIVER

    @property
    def middle_s(self) -> float:
        """Run time in the middle of what it said, s."""
        return float(self.fit.fixes_s[len(self.fit.fixes_s) // 2])

    def u_s(self, *, numbered: bool, told_apart_s: float = math.inf) -> float:
        """Standard uncertainty of its UTC with no other witness, s.

        ``numbered``: another witness has shown that the whole seconds are right.
        ``told_apart_s``: another witness agrees, and not with a level that is further off.
        """
        own = self.fit.base_u_s * (
            CAUGHT if self.fit.steps or self.odd_kinds or self.turns else 1.0
        )
        off = (abs(away) for _, away in (*self.fit.steps, *self.odd_kinds))
        left = 0.0 if numbered else max((s for s in off if s < told_apart_s), default=0.0)
        open_s = (self.evidence.pulse_u_s, *self._pulses(numbered))
        pulses = math.hypot(*open_s) if self.by_pulses else 0.0
        return math.hypot(own, pulses) + left

    @property
    def borne_out(self) -> bool:
        """Whether the delay found by pulses is the one that the car sheet states."""
        stated, u_s = self.evidence.delay_s, self.evidence.u_delay_s or 0.0
        if stated is None:
            return False
        return abs(self.fit.delay_s - stated) <= max(3.0 * u_s, EDGE_BY_DELAY_S)

    def _pulses(self, numbered: bool) -> tuple[float, float]:  # noqa: FBT001 - private
        """What is open of pulses: which edge, and which second."""
        evidence, delay_s = self.evidence, self.fit.delay_s
        stated, u_stated = evidence.delay_s, evidence.u_delay_s or 0.0
        edge = UNCHECKED_EDGE_S
        if stated is not None:
            # A wrong edge makes the sentences come sooner after it than they are known to.
            away_s = abs(delay_s - stated)
            edge = max(away_s + 2.0 * u_stated, EDGE_BY_DELAY_S)
        if evidence.pulses_checked and (self.borne_out or stated is None):
            edge = 0.0
        # Against the other edge they may even come before the pulse, and name the one before it.
        latest = 1.0 if edge == 0.0 else 1.0 - UNCHECKED_EDGE_S
        sure = numbered or self.borne_out or AMBIGUOUS_S <= delay_s <= latest
        return edge, 0.0 if sure else WHOLE_S

    def why_no_better(self, u_s: float) -> str:
        """One sentence on what keeps the uncertainty where it is; empty when it is small."""
        if u_s < EDGE_BY_DELAY_S:
            return ""
        if self.fit.steps or self.odd_kinds:
            return self._within_the_run()
        if self.by_pulses:
            edge, second = self._pulses(False)  # noqa: FBT003 - not numbered
            against = self._against_the_sheet()
            if second:
                return f"{against}the sentences may name the pulse before the one they follow"
            if edge and against:
                return f"{against}the pulses may be counted by their other edge"
            if edge:
                return (
                    "nothing shows that the counted edge of the pulses is the one on the second"
                )
        if self.evidence.delay_s is None:
            return (
                "how late the receiver speaks is not known: state delay_s and u_delay_s of the"
                " receiver in the car sheet, or wire its pulses"
            )
        if not self.by_pulses and self.fit.scatter_s > EDGE_BY_DELAY_S:
            return f"its sentences come unevenly, by {apart(self.fit.scatter_s)}"
        return ""

    def _within_the_run(self) -> str:
        """Why the receiver does not say one thing throughout: sentences that were held up, on the
        line or by the computer, say less for a while, and a receiver that lies may say anything.
        """
        less_s = [-away_s for _, away_s in self.fit.steps if away_s]
        if less_s and not self.odd_kinds and min(less_s) > 0.0 and max(less_s) <= LATE_S:
            return (
                f"for a while its sentences say up to {max(less_s):.0f} s less: they were held up,"
                " or the receiver contradicts itself"
            )
        return "the receiver contradicts itself within the run"

    def _against_the_sheet(self) -> str:
        """The delay found, where the sheet states another; else nothing."""
        if self.borne_out or self.evidence.delay_s is None:
            return ""
        return (
            f"the sentences follow the pulses by {self.fit.delay_s:.3f} s where the car sheet"
            f" states {self.evidence.delay_s:g} s: "
        )

    def told(self, standing: Standing) -> list[Witness]:
        """The receiver, and its pulses, as witnesses."""
        at = moment(int(self.fit.utc_ns(np.array([self.middle_s]))[0]))
        words = f"{at} in mid-run, {self.n} sentences ({', '.join(self.kinds)})"
        for kind, away_s in self.odd_kinds:
            words += f"; {kind} says {apart(away_s)} {'more' if away_s > 0.0 else 'less'}"
        for at_s, step_s in self.fit.steps[:3]:
            words += f"; off by {step_s:+.0f} s from {at_s:.0f} s of the run on"
        if self.turns:
            words += f"; {turned(self.turns)}"
        odd = self.odd_kinds or self.fit.steps or self.turns
        if standing in (Standing.AGREES, Standing.ALONE) and odd:
            standing = Standing.DOUBTED
        found = [Witness(kind=WitnessKind.RECEIVER, standing=standing, words=words)]
        if self.by_pulses:
            delay = f"the sentences follow them by {self.fit.delay_s:.3f} s"
            found.append(Witness(kind=WitnessKind.PULSES, standing=standing, words=delay))
        elif self.pulses_refused:
            found.append(
                Witness(
                    kind=WitnessKind.PULSES,
                    standing=Standing.REFUTED,
                    words=self.pulses_refused,
                )
            )
        return found


def receiver_account(
    evidence: UtcEvidence, computer: ComputerLine | None, *, turns: int = 0
) -> tuple[ReceiverAccount | None, str]:
    """What the receiver says; None with the reason when it says nothing that can be gone by.

    ``turns`` of 1024 weeks were added to its dates.
    """
    n = len(evidence.sentence_t_s)
    if n < LEAST_FIXES:
        return None, f"{n} valid sentences of a receiver" if n else "no receiver gives a time"
    t = evidence.awake_s(evidence.sentence_t_s)
    near_ns = None if computer is None else int(computer.utc_ns(0.0))
    try:
        kinds, odd = _agreeing(evidence, t, near_ns)
        chosen = np.isin(evidence.sentence_kind, [kind.encode() for kind in kinds])
        fit, refused = _fitted(evidence, t[chosen], evidence.sentence_utc_ns[chosen], near_ns)
    except ValueError as error:
        return None, f"the receiver's sentences cannot be gone by: {error}"
    account = ReceiverAccount(
        fit=fit,
        evidence=evidence,
        n=int(chosen.sum()),
        kinds=kinds,
        odd_kinds=odd,
        fast_by=_fast_by(t[chosen], evidence.sentence_utc_ns[chosen]),
        pulses_refused=refused,
        turns=turns,
    )
    return account, ""


def _fast_by(t: NDArray[np.float64], sent: NDArray[np.int64]) -> float:
    """How much faster (n,) sentences run than receipts; 0 where that is what clocks differ by.

    The middle one of paces over an eighth of the run: a jump is in few of them.
    """
    span = float(t[-1] - t[0])
    if span < PACE_SPAN_S:
        return 0.0
    lag_s = max(PACE_SPAN_S / 2.0, span / 8.0)
    later = np.searchsorted(t, t + lag_s)
    here = np.flatnonzero(later < len(t))
    there = later[here]
    pace = (sent[there] - sent[here]).astype(np.float64) / NS / (t[there] - t[here]) - 1.0
    off = float(np.median(pace))
    scatter = normal_sd(pace - off) / math.sqrt(span / lag_s)
    return off if abs(off) > max(NO_PACE, CLEARLY * scatter) else 0.0


def _fitted(
    evidence: UtcEvidence, t: NDArray[np.float64], sent: NDArray[np.int64], near_ns: int | None
) -> tuple[UtcFit, str]:
    delay_s = NMEA_DELAY_S if evidence.delay_s is None else evidence.delay_s
    u_delay_s = NMEA_DELAY_U_S
    if evidence.delay_s is not None:
        u_delay_s = NMEA_DELAY_U_S if evidence.u_delay_s is None else evidence.u_delay_s
    pulses, refused = evidence.awake_s(evidence.pulse_t_s), ""
    if 0 < len(pulses) < LEAST_FIXES:
        refused = f"only {len(pulses)} came"
    if len(pulses) >= LEAST_FIXES:
        try:
            return fit_utc(t, sent, pps_t_s=pulses, near_ns=near_ns), ""
        except ValueError as error:
            refused = str(error)
    fit = fit_utc(t, sent, delay_s=delay_s, u_delay_s=u_delay_s, near_ns=near_ns)
    return fit, refused


def _agreeing(
    evidence: UtcEvidence, t: NDArray[np.float64], near_ns: int | None
) -> tuple[tuple[str, ...], tuple[tuple[str, float], ...]]:
    """Kinds of sentences that say the same second, and the others with how far off they are.

    Those nearest to the computer's clock, where there is one; else those of most sentences.
    """
    offsets: dict[str, tuple[float, int]] = {}
    base = int(evidence.sentence_utc_ns[0]) - round(float(t[0]) * 1e9)
    away_ns = (evidence.sentence_utc_ns - base) - np.rint(t * 1e9).astype(np.int64)
    kinds, counts = np.unique(evidence.sentence_kind, return_counts=True)
    most = evidence.sentence_kind == kinds[np.argmax(counts)]
    level_s = float(np.median(away_ns[most])) / 1e9
    for kind, n in zip(kinds, counts, strict=True):
        here = evidence.sentence_kind == kind
        # Beside the sentence before it, so that all kinds jump together where the receiver does.
        beside = np.maximum(np.searchsorted(t[most], t[here], side="right") - 1, 0)
        apart_s = float(np.median(away_ns[here] - away_ns[most][beside])) / 1e9
        offsets[kind.decode("ascii", "replace")] = (level_s + apart_s, int(n))
    groups: list[list[str]] = []
    for kind, (offset_s, _) in sorted(offsets.items(), key=lambda item: item[1][0]):
        if groups and offset_s - offsets[groups[-1][-1]][0] < SAME_S:
            groups[-1].append(kind)
        else:
            groups.append([kind])
    if near_ns is None:
        best = max(groups, key=lambda group: sum(offsets[kind][1] for kind in group))
    else:
        near_s = (near_ns - base) / 1e9
        best = min(groups, key=lambda group: abs(offsets[group[0]][0] - near_s))
    middle = offsets[best[0]][0]
    odd = tuple(
        (kind, offsets[kind][0] - middle) for g in groups if g is not best for kind in g
    )
    return tuple(best), odd
