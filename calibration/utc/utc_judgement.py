"""UTC of a run by all its witnesses: agreed, covered by a wider uncertainty, or not known.

What is stated never leans on one witness alone more than that witness's known lies allow. The
receiver gives the second; the computer's clock says whether it is the right one, to the second
when hand set, to its own account of error when a time server keeps it; sheet and version say which
days can be; pulses divide the second once they are shown to be the edge they are taken for.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.utc.computer_line import ComputerLine, computer_line
from calibration.utc.receiver_account import (
    CAUGHT,
    ReceiverAccount,
    receiver_account,
)
from calibration.utc.spans import DAY_NS, DAY_S, HAND_SET_S, TURN_DAYS
from calibration.utc.utc_tie import UtcTie
from calibration.utc.utc_witnesses import Standing, UtcJudgement, Witness, WitnessKind
from calibration.utc.week_turns import in_right_turn
from calibration.utc.witness_words import apart, known_lie, moment, percent, turned

if TYPE_CHECKING:
    from calibration.utc.run_time_to_utc import UtcFit
    from calibration.utc.utc_witnesses import UtcEvidence

__all__ = ["judge_utc"]

ALONE_U_S: Final = 20.0
"""Of a receiver that nothing confirms to the second: leap seconds never learnt are 18 s since 2017
(leap-second table), and it may speak late beside."""
MOST_COVERED_S: Final = 120.0
"""Witnesses further apart are not both nearly right: one of them is wrong altogether."""
COVERING: Final = 1.25
"""Of their difference, so that the truth is inside when either of them has an error of its own."""
TOLD_APART_S: Final = 2.0 * HAND_SET_S
"""A clock that agrees with one of two levels so far apart does not agree with the other."""
FAR_S: Final = 2.0 * DAY_S
"""A sheet may have yesterday's date; one that a receiver bears out against a computer further off
is not forgotten."""
KEPT_S: Final = 0.3
"""A clock whose time server has let it go further than this by its own account is no better than
one set by hand: it does not tell one whole second from the next."""
HALF_S: Final = 0.5
"""Nearer than that no other whole second can be meant."""
LEAST_ERROR_S: Final = 1e-3
"""A clock that says it is nearer than that has only just been set."""


def judge_utc(evidence: UtcEvidence) -> UtcTie:
    """Hear all witnesses of a run's UTC; whatever they say, a tie and its judgement come of it."""
    computer = None
    if not evidence.simulated:
        awake = evidence.awake_s(evidence.computer_t_s)
        computer = computer_line(awake, evidence.computer_utc_ns)
    evidence, turns = in_right_turn(evidence, computer)
    receiver, refused = receiver_account(evidence, computer, turns=turns)
    return _Court(evidence, computer, receiver, refused).judged()


class _Court:
    """The witnesses of one run, heard once."""

    def __init__(
        self,
        evidence: UtcEvidence,
        computer: ComputerLine | None,
        receiver: ReceiverAccount | None,
        refused: str,
    ) -> None:
        self.evidence, self.computer, self.receiver = evidence, computer, receiver
        self.refused = refused
        """Why the receiver says nothing."""
        self.numbered = False
        """Another witness has shown that the receiver's whole seconds are right."""
        self.middle_s = 0.0 if receiver is None else receiver.middle_s
        error_s = evidence.computer_error_s
        self.kept = computer is not None and 0.0 <= error_s <= KEPT_S
        """A time server keeps the computer's clock."""
        # Its greatest error: a liar is held against it, and must not come out surer than it is.
        self.u_computer_s = max(error_s, LEAST_ERROR_S) if self.kept else math.nan
        fit = None if receiver is None else receiver.fit
        self.computer_refuted = self._before_build(computer)
        self.receiver_refuted = self._before_build(fit)
        self.trip_doubted = self._hear_trip(fit)
        self.witnesses: list[Witness] = [*self._sheet_and_version()]

    def judged(self) -> UtcTie:
        """The tie, by which of the two that give a time can be gone by."""
        by_receiver, by_computer = self.receiver is not None, self.computer is not None
        if by_receiver and not self.receiver_refuted:
            if by_computer and not self.computer_refuted:
                return self._both()
            return self._receiver_alone()
        if by_receiver and by_computer and not self.computer_refuted:
            moved = self._moved_by_days()
            if moved is not None:
                return moved
        return self._computer_alone()

    # ------------------------------------------------------------------ who can be right at all

    def _before_build(self, said: ComputerLine | UtcFit | None) -> str:
        """Why a witness cannot be right; empty when it can."""
        if said is None:
            return ""
        at = int(said.utc_ns(np.array([self.middle_s]))[0])
        if at < self.evidence.built_ns:
            return f"it says {moment(at)}, before this version was made"
        return ""

    def _hear_trip(self, fit: UtcFit | None) -> bool:
        """Refute who lies outside the sheet's day; whether it is the sheet that is doubted.

        The sheet's day may be the one somebody forgot to change: where receiver and computer
        agree, or a time server keeps the computer's clock, they are believed and not the sheet.
        """
        if self.evidence.trip_ns is None:
            return False
        receiver_out = fit is not None and not self._in_trip(fit)
        computer_out = self.computer is not None and not self._in_trip(self.computer)
        agree = bool(fit and self.computer) and not (
            self.receiver_refuted or self.computer_refuted
        )
        if agree and abs(self._away_s()) <= HAND_SET_S:
            return receiver_out or computer_out
        if computer_out and self.kept and not self.computer_refuted:
            near = self.receiver is None or abs(self._away_s()) < FAR_S
            if receiver_out or near:
                return True
        if receiver_out and fit is not None:
            self.receiver_refuted = self.receiver_refuted or self._not_that_day(fit)
        if computer_out and self.computer is not None:
            self.computer_refuted = self.computer_refuted or self._not_that_day(self.computer)
        return False

    def _in_trip(self, said: ComputerLine | UtcFit | None, days: int = 0) -> bool:
        trip = self.evidence.trip_ns
        if said is None or trip is None:
            return False
        began_ns = int(said.utc_ns(np.zeros(1))[0]) + days * DAY_NS
        return trip[0] <= began_ns < trip[1]

    def _not_that_day(self, said: ComputerLine | UtcFit) -> str:
        began_ns = int(said.utc_ns(np.zeros(1))[0])
        return f"it says {moment(began_ns)}, outside the trip sheet's day"

    def _sheet_and_version(self) -> list[Witness]:
        trip = self.evidence.trip_ns
        standing = Standing.DOUBTED if self.trip_doubted else Standing.AGREES
        words = "gives no day"
        if trip is not None:
            words = f"from {moment(trip[0])} to {moment(trip[1])}"
        return [
            Witness(
                kind=WitnessKind.TRIP,
                standing=Standing.SILENT if trip is None else standing,
                words=words,
            ),
            Witness(
                kind=WitnessKind.BUILD,
                standing=Standing.AGREES,
                words=f"no time before {moment(self.evidence.built_ns)[:10]} can be",
            ),
        ]

    # ------------------------------------------------------------------ what comes of it

    def _both(self) -> UtcTie:
        assert self.receiver is not None
        if self.receiver.fast_by:
            return self._unknown(
                f"the receiver's seconds run {percent(self.receiver.fast_by)} against the"
                " computer's: time was simulated, or one of the two is no clock"
            )
        away_s = self._away_s()
        number = self._number(away_s)
        left_s = away_s + number
        agrees = abs(left_s) <= HAND_SET_S
        self.numbered = self.kept and abs(left_s) < HALF_S
        u_receiver = self.receiver.u_s(
            numbered=self.numbered,
            told_apart_s=TOLD_APART_S if agrees else math.inf,
        )
        if self.kept and abs(left_s) <= self.u_computer_s + 2.0 * u_receiver:
            return self._agreed_with_kept(number, u_receiver)
        if agrees and not self.kept:
            return self._agreed_by_hand(number, u_receiver)
        if abs(left_s) <= MOST_COVERED_S:
            u_s = COVERING * abs(left_s) + u_receiver
            u_s = u_s if self.kept else max(u_s, ALONE_U_S)
            why = (
                f"receiver and computer differ by {apart(left_s)}{known_lie(left_s)}; the"
                " uncertainty covers both"
            )
            return self._by_receiver(Standing.DOUBTED, Standing.DOUBTED, u_s, why, 0.0)
        moved = self._moved_by_days()
        if moved is not None:
            return moved
        return self._unknown(
            f"receiver and computer differ by {apart(left_s)}{known_lie(left_s)}, and nothing"
            " says which is right: set the computer's clock, give the trip sheet its date"
        )

    def _agreed_by_hand(self, number: float, u_receiver: float) -> UtcTie:
        """A clock that nobody keeps agrees: what they differ by is in the uncertainty."""
        assert self.receiver is not None
        most_s = self._most_away_s()
        u_s = u_receiver if most_s <= u_receiver else COVERING * most_s
        why = self.receiver.why_no_better(u_s)
        if u_s > u_receiver:
            why += (
                f"{why and '; '}receiver and computer differ by {apart(most_s)}, and the"
                " computer's clock is kept by no time server"
            )
        return self._by_receiver(Standing.AGREES, Standing.AGREES, u_s, why, number)

    def _agreed_with_kept(self, number: float, u_receiver: float) -> UtcTie:
        """Both are right as far as they know: the surer of them is gone by."""
        assert self.receiver is not None
        why = self.receiver.why_no_better(min(u_receiver, self.u_computer_s))
        if u_receiver <= self.u_computer_s:
            return self._by_receiver(Standing.AGREES, Standing.AGREES, u_receiver, why, number)
        self._tell_receiver(Standing.AGREES)
        self._tell_computer(Standing.AGREES)
        return self._tie(WitnessKind.COMPUTER, self.u_computer_s, why, 0.0)

    def _receiver_alone(self) -> UtcTie:
        assert self.receiver is not None
        fit = self.receiver.fit
        one_day = self._in_trip(fit) and not (self._in_trip(fit, -1) or self._in_trip(fit, 1))
        if not one_day and not self.evidence.simulated:
            return self._unknown(
                "only the receiver gives a time, and neither computer nor trip sheet confirms"
                " its day"
            )
        u_s = max(self.receiver.u_s(numbered=False), ALONE_U_S)
        why = "nothing confirms the receiver's seconds: leap seconds it has not learnt are covered"
        if self.evidence.simulated:
            u_s = self.receiver.u_s(numbered=True)
            why = "time is simulated: it is the feed's own, and no clock's"
        return self._by_receiver(Standing.ALONE, Standing.REFUTED, u_s, why, 0.0)

    def _moved_by_days(self) -> UtcTie | None:
        """The receiver's time of day on the computer's day, where sheet or server carry that."""
        assert self.receiver is not None
        away_s = self._away_s()
        days = round(away_s / DAY_S)
        left_s = away_s - days * DAY_S
        number = self._number(left_s)
        left_s += number
        # A sheet that allows the receiver's own day, too, does not carry the computer's.
        carried = self.kept or (
            self._in_trip(self.computer) and not self._in_trip(self.receiver.fit)
        )
        if not days or not carried or abs(left_s) > HAND_SET_S:
            return None
        why = f"the receiver's date is off by {days:+,d} days; its time of day is borne out"
        cover_s = COVERING * self._most_away_s(days * DAY_S - number)
        u_s = max(CAUGHT * self.receiver.u_s(numbered=False), cover_s)
        shift_s = number - days * DAY_S
        return self._by_receiver(Standing.DOUBTED, Standing.AGREES, u_s, why, shift_s)

    def _computer_alone(self) -> UtcTie:
        told = (
            self.receiver_refuted and f"; the receiver is not believed: {self.receiver_refuted}"
        )
        if self.computer is None or self.computer_refuted or not self.kept:
            why = f"{self.refused or 'the computer alone gives a time'}{told or ''}"
            if self.computer_refuted:
                why += f"; the computer's clock cannot be right: {self.computer_refuted}"
            elif self.computer is not None:
                why += "; the computer's clock is kept by no time server"
            return self._unknown(why)
        self._tell_receiver(Standing.REFUTED if self.receiver_refuted else Standing.SILENT)
        self._tell_computer(Standing.ALONE)
        why = f"{self.refused}{told or ''}; a time server keeps the computer's clock".lstrip(
            "; "
        )
        return self._tie(WitnessKind.COMPUTER, self.u_computer_s, why, 0.0)

    def _unknown(self, why: str) -> UtcTie:
        refuted = bool(self.receiver_refuted)
        self._tell_receiver(Standing.REFUTED if refuted else Standing.DOUBTED)
        self._tell_computer(Standing.REFUTED if self.computer_refuted else Standing.DOUBTED)
        return self._tie(WitnessKind.COMPUTER, math.nan, why, 0.0)

    # ------------------------------------------------------------------ pieces

    def _away_s(self) -> float:
        """Receiver less computer, s."""
        assert self.receiver is not None
        assert self.computer is not None
        at = np.array([self.middle_s])
        return (
            float(int(self.receiver.fit.utc_ns(at)[0]) - int(self.computer.utc_ns(at)[0])) / 1e9
        )

    def _most_away_s(self, less_s: float = 0.0) -> float:
        """The most that receiver and computer differ by anywhere in the run, but for so much, s."""
        assert self.receiver is not None
        assert self.computer is not None
        read = self.evidence.awake_s(self.evidence.computer_t_s)
        fixes = self.receiver.fit.fixes_s
        at = np.linspace(min(read[0], fixes[0]), max(read[-1], fixes[-1]), 50)
        away_ns = self.receiver.fit.utc_ns(at) - self.computer.utc_ns(at)
        return float(np.abs(away_ns - round(less_s * 1e9)).max()) / 1e9

    def _number(self, away_s: float) -> float:
        """Whole second by which late sentences numbered the pulses wrongly, to be added."""
        assert self.receiver is not None
        whole = round(away_s)
        near = abs(away_s - whole) < KEPT_S
        if self.receiver.by_pulses and self.kept and abs(whole) == 1 and near:
            return -float(whole)
        return 0.0

    def _by_receiver(
        self, receiver: Standing, computer: Standing, u_s: float, why: str, shift_s: float
    ) -> UtcTie:
        assert self.receiver is not None
        if u_s > MOST_COVERED_S:
            return self._unknown(f"{why}: by {apart(u_s)}")
        self._tell_receiver(receiver)
        self._tell_computer(computer)
        return self._tie(self.receiver.source, u_s, why, shift_s)

    def _tell_receiver(self, standing: Standing) -> None:
        if self.receiver is None:
            self.witnesses.append(
                Witness(kind=WitnessKind.RECEIVER, standing=Standing.SILENT, words=self.refused)
            )
            return
        self.witnesses.extend(self.receiver.told(standing))

    def _tell_computer(self, standing: Standing) -> None:
        if self.computer is None:
            words = "time is simulated" if self.evidence.simulated else "it was never read"
            standing = Standing.SILENT
        else:
            kept = f"kept to {apart(self.evidence.computer_error_s)} by a time server"
            at = int(self.computer.utc_ns(np.array([self.middle_s]))[0])
            words = f"{moment(at)}, {kept if self.kept else 'kept by no time server'}"
            if self.computer.steps:
                at_s, step_s = self.computer.steps[-1]
                words += f"; stepped by {step_s:+.1f} s at {at_s:.0f} s of the run"
        self.witnesses.append(
            Witness(kind=WitnessKind.COMPUTER, standing=standing, words=words)
        )

    def _tie(self, source: WitnessKind, u_s: float, why: str, shift_s: float) -> UtcTie:
        turns, u_delay_s = 0, math.nan
        if self.receiver is not None:
            turns = self.receiver.turns
            u_delay_s = self.receiver.u_delay_s(numbered=self.numbered)
        judgement = UtcJudgement(
            known=math.isfinite(u_s),
            why=f"{turned(turns)}{why and '; '}{why}" if turns else why,
            witnesses=tuple(self.witnesses),
            delay_s=math.nan if self.receiver is None else self.receiver.fit.delay_s,
            u_delay_s=u_delay_s,
            fast_by=0.0 if self.receiver is None else self.receiver.fast_by,
            corrected_s=shift_s + turns * TURN_DAYS * DAY_S,
        )
        return UtcTie(
            source=source,
            judgement=judgement,
            evidence=self.evidence,
            receiver=self.receiver,
            computer=self.computer,
            shift_s=shift_s,
            u_s_base=u_s,
        )
