"""A guided bench session, without a screen: plan, live counts, readings, resume.

One thread owns the session (it alone touches the file); its ``live`` counts may be fed from
another. A reading is started, gathers counts, and ``poll`` commits it some seconds later::

    session = BenchSession.create("cell.bench", settings=…, plan=make_plan(capacity_kN=500.0))
    session.live.feed(t_s, counts)        # from the driver, again and again
    session.live.stability()              # the verdict now
    session.start_reading(applied_kN=50.02)
    taken = session.poll()                # None until the seconds have passed
    session.repeat(7, "press crept")      # then start_reading again
    session.evaluate()                    # curves, figures, budget so far
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Self

from calibration.bench.bench_reading import BenchError, DoubtedReadingError, TakenReading
from calibration.bench.gathering import Gathered, Gathering
from calibration.bench.live_counts import LiveCounts
from calibration.bench.pending_reading import PendingReading, applied_force, prepare
from calibration.bench.plan import PlanStep
from calibration.bench.reading_checks import Finding
from calibration.bench.session_facts import SessionFacts
from calibration.bench.session_file import BenchStore
from calibration.bench.stability import StabilityLimits
from calibration.bench.taken_readings import csv_of, readings_of
from calibration.bench.weighing import draft_of, read_by_eye, weigh
from calibration.certificates.days import local_day
from calibration.certificates.force import RAILS_24_BIT, ForceCertificate
from calibration.evaluation.evaluation import Evaluation, evaluate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.reading_doubts import Doubt
from calibration.readings.readings import Readings

__all__ = ["BenchSession"]

_ALL_READ: Final = "every step of the plan is read; repeat one with a reason, or finish"
_STANDARD: Final = "standard accepted"


class BenchSession:
    """The session; see the module."""

    def __init__(self, store: BenchStore, now: Callable[[], datetime]) -> None:
        try:
            self.facts: Final = SessionFacts.from_document(store.facts())
            self._taken = self.facts.checked(store.readings())
            events = store.events()
            self._skipped = {int(text.split(":")[0]) for _, k, text in events if k == "skipped"}
        except (KeyError, TypeError, ValueError, OverflowError) as error:
            store.close()
            known = isinstance(error, BenchError) and str(store.path) in str(error)
            msg = str(error) if known else f"{store.path}: damaged bench session ({error})"
            raise BenchError(msg) from error
        self.settings, self.plan = self.facts.settings, self.facts.plan
        self.limits, self.seconds = self.facts.limits, self.facts.seconds
        self.started, self.reference = self.facts.started, self.facts.reference
        self._store, self._now = store, now
        self.live: Final = LiveCounts(self.limits, self.reference)
        """Fed by another thread; the only part of the session that may be."""
        self._gathering = Gathering(self.live)
        self._again: tuple[int, str] | None = None
        self._held: TakenReading | None = None
        self._held_of: Gathered | None = None
        accepted = [text for _, kind, text in events if kind == _STANDARD]
        self._standard_accepted = accepted[-1] if accepted else ""
        for reading in self._taken:
            self._take_zero(reading)

    @classmethod
    def create(
        cls,
        path: str | Path,
        *,
        settings: BenchSettings,
        plan: Sequence[PlanStep],
        limits: StabilityLimits | None = None,
        seconds: float = 10.0,
        reference: ForceCertificate | None = None,
        force_unit: str = "kN",
        channels: tuple[str, str] = ("", ""),
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> Self:
        """Begin a session; raises ``BenchError`` when the file exists or cannot be made.

        ``seconds`` is how long a reading gathers; ``reference`` the certificate of a reference
        cell on a second channel (None: forces are typed); ``channels`` name the cell's and
        the reference's, so that going on later reads the same ones.
        """
        facts = SessionFacts(
            settings=settings,
            plan=tuple(plan),
            limits=limits or StabilityLimits(),
            seconds=seconds,
            started=now(),
            reference=reference,
            force_unit=force_unit,
            channel=channels[0],
            reference_channel=channels[1],
        )
        return cls(BenchStore.create(path, facts.to_document()), now)

    @classmethod
    def open(
        cls, path: str | Path, *, now: Callable[[], datetime] = lambda: datetime.now(UTC)
    ) -> Self:
        """Go on with a session where it stopped; raises ``BenchError``."""
        session = cls(BenchStore.open(path), now)
        session.note("resumed", f"{len(session.taken)} readings so far")
        return session

    def close(self) -> None:
        """May be called twice; everything taken is already on disk."""
        self._store.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def path(self) -> Path:
        return self._store.path

    @property
    def taken(self) -> tuple[TakenReading, ...]:
        """Every reading, repeats and those they replace included."""
        return tuple(self._taken)

    @property
    def events(self) -> list[tuple[str, str, str]]:
        """(utc, kind, text): resumed, skipped, repeat asked, refused, remarks."""
        return self._store.events()

    def valid_reading(self, step: int) -> TakenReading | None:
        """The reading of a step that counts: the last one taken."""
        return next((r for r in reversed(self._taken) if r.step == step), None)

    @property
    def current(self) -> PlanStep | None:
        """The step to be read next: one asked again, else the first unread; None when done."""
        if self._again is not None:
            return self.plan[self._again[0] - 1]
        read = {reading.step for reading in self._taken} | self._skipped
        return next((step for step in self.plan if step.number not in read), None)

    @property
    def done(self) -> int:
        """How many steps of the plan have a reading or were skipped."""
        return len({reading.step for reading in self._taken} | self._skipped)

    # ---------------------------------------------------------- live

    @property
    def pending(self) -> PendingReading | None:
        """The reading waited for or being gathered."""
        return self._gathering.pending

    @property
    def left_s(self) -> float | None:
        """Seconds still to be waited; 0 when only a still signal is wanting, None otherwise."""
        return self._gathering.left_s()

    @property
    def held(self) -> TakenReading | None:
        """The reading held back for what stands against it."""
        return self._held

    def start_reading(
        self,
        *,
        applied_kN: float | None = None,
        seconds: float | None = None,
        temperature_C: float | None = None,
        patience_s: float = 0.0,
    ) -> PendingReading:
        """The current step's force is reached now: wait as the plan says, then gather.

        ``applied_kN`` is the force typed (tension +); None takes it from the reference
        channel, or, without one, the plan's nominal force. A zero step is always 0 kN. Past
        the plan's wait a signal that still moves is waited for until ``patience_s``.

        Raises
        ------
        BenchError
            Nothing to read, no counts coming, a force of the wrong sign or far off the step.
        """
        pending = self._prepare(applied_kN, self.reference, temperature_C)
        length = self.seconds if seconds is None else seconds
        self._held = None
        return self._gathering.begin(replace(pending, seconds=length, patience_s=patience_s))

    def _prepare(
        self,
        applied_kN: float | None,
        reference: ForceCertificate | None,
        temperature_C: float | None,
    ) -> PendingReading:
        step = self.current
        if step is None:
            raise BenchError(_ALL_READ)
        replaced = self.valid_reading(step.number)
        return prepare(
            step,
            applied_force(step, applied_kN, reference),
            temperature_C,
            reason="" if self._again is None else self._again[1],
            repeat_of=None if replaced is None else replaced.number,
        )

    def hurry(self, reason: str) -> None:
        """Cut the plan's wait short, with a reason; that it was is kept with the reading."""
        if not reason.strip():
            msg = "cutting the wait short needs its reason in words"
            raise BenchError(msg)
        self._gathering.hurry(reason.strip())

    def type_reading(
        self,
        reading: float,
        *,
        applied_kN: float | None = None,
        temperature_C: float | None = None,
    ) -> TakenReading:
        """Take the current step's reading from an instrument read by eye; durable on return.

        Raises
        ------
        BenchError
            Nothing to read, a reading not finite or at a rail, a wrong force; a
            ``DoubtedReadingError`` for a reading that is held back.
        """
        pending = self._prepare(applied_kN, None, temperature_C)
        if not abs(reading) < 2.0**31 or reading in RAILS_24_BIT:
            step = pending.step.number
            msg = f"step {step}: reading {reading:g} is saturated or beyond ±2³¹: type it again"
            raise BenchError(msg)
        self._held = None
        return self._weigh(read_by_eye(pending, reading), [], None)

    def cancel_reading(self, reason: str) -> None:
        """Give up the reading being gathered; that it was is kept as an event."""
        pending = self._gathering.pending
        if pending is not None:
            self.note("cancelled", f"step {pending.step.number}: {reason}")
        self._gathering.give_up()

    def poll(self) -> TakenReading | None:
        """Commit the reading once its seconds have passed; None while they have not.

        Raises
        ------
        DoubtedReadingError
            Something stands against it: held back, to be taken again or ``accept``-ed.
        BenchError
            Saturated counts, or a feed with holes: refused, kept as an event, to be taken
            again. Also a disk that does not take it.
        """
        pending = self._gathering.pending
        try:
            found = self._gathering.look()
        except BenchError as error:
            raise self._refuse(pending, str(error)) from error
        finally:
            for kind, text in self._gathering.told():
                self.note(kind, text)
        if found is None:
            return None
        if found.pending.applied_kN is None and found.standard is None:
            raise self._refuse(found.pending, "no counts came from the reference cell")
        draft, findings = draft_of(found, self.live, self._taken)
        return self._weigh(draft, findings, found)

    def _refuse(self, pending: PendingReading | None, why: str) -> BenchError:
        step = "" if pending is None else f"step {pending.step.number}: "
        self.note("refused", f"{step}{why}")
        return BenchError(f"{step}{why}; reading refused, take it again")

    def _weigh(
        self, draft: TakenReading, findings: Sequence[Finding], gathered: Gathered | None
    ) -> TakenReading:
        """Commit a reading, or hold it back for what stands against it."""
        now = self._now()
        found = [*findings, *weigh(draft, self.facts, self._taken, local_day(now))]
        last = self._taken[-1].time_s if self._taken else 0.0
        draft = replace(
            draft,
            number=len(self._taken) + 1,
            utc=now.isoformat(),
            # The wall clock may step back; readings do not.
            time_s=max((now - self.started).total_seconds(), last),
            doubts=tuple(f.doubt for f in found),
            findings=tuple(f.words for f in found),
        )
        known = self._standard_accepted
        if known and Doubt.STANDARD_NOT_VALID in draft.doubts:
            found = [f for f in found if f.doubt is not Doubt.STANDARD_NOT_VALID]
            draft = draft.accepted(known)
        stops = [f.words for f in found if f.stops]
        if not stops:
            return self._commit(draft, gathered)
        self._held, self._held_of = draft, gathered
        words = "; ".join(stops)
        self.note("held back", f"{draft.step}: {words}")
        msg = f"step {draft.step}: {words}; take it again, or accept it with a reason"
        raise DoubtedReadingError(msg)

    def accept(self, reason: str) -> TakenReading:
        """Take the reading held back as it is; what stands against it is kept, and why.

        Raises
        ------
        BenchError
            No reading is held back, or there is no reason.
        """
        held = self._held
        if held is None:
            msg = "no reading is held back"
            raise BenchError(msg)
        if not reason.strip():
            msg = "accepting a reading needs the reason in words"
            raise BenchError(msg)
        words = reason.strip()
        self.note("accepted", f"{held.step}: {words}")
        if Doubt.STANDARD_NOT_VALID in held.doubts and not self._standard_accepted:
            self.note(_STANDARD, words)
            self._standard_accepted = words
        return self._commit(held.accepted(words), self._held_of)

    def _commit(self, taken: TakenReading, gathered: Gathered | None) -> TakenReading:
        self._store.add_reading(taken)
        self._taken.append(taken)
        self._take_zero(taken)
        if gathered is not None:
            self._gathering.taken(gathered)
        self._again = self._held = None
        return taken

    def _take_zero(self, taken: TakenReading) -> None:
        """The reference cell's zero is the last one read while unloaded."""
        if self.plan[taken.step - 1].unloaded and taken.reference_counts is not None:
            self.live.set_reference_zero(taken.reference_counts)

    # ---------------------------------------------------------- changes of mind

    def repeat(self, step: int, reason: str) -> PlanStep:
        """Ask for a step to be read again; the reading so far stays, marked as replaced."""
        if not reason.strip():
            msg = "a repeat needs its reason in words"
            raise BenchError(msg)
        if self.valid_reading(step) is None:
            msg = f"step {step} has no reading to repeat"
            raise BenchError(msg)
        self._gathering.check_idle()
        self.note("repeat asked", f"{step}: {reason.strip()}")
        self._held = None
        self._again = (step, reason.strip())
        return self.plan[step - 1]

    def skip(self, reason: str) -> None:
        """Leave the current step unread, with a reason; figures that need it say so."""
        step = self.current
        if step is None or not reason.strip():
            msg = "skipping needs a step that is not read yet, and a reason in words"
            raise BenchError(msg)
        self._gathering.check_idle()
        self._held = None
        if self._again is not None:
            self._again = None
            return
        self.note("skipped", f"{step.number}: {reason.strip()}")
        self._skipped.add(step.number)

    def note(self, kind: str, text: str) -> None:
        """Keep a remark; durable on return."""
        self._store.add_event(self._now().isoformat(), kind, text)

    def readings(self) -> Readings:
        """All taken so far as readings; raises ``ReadingsError`` when it is no use."""
        return readings_of(self._taken, self.plan, source=str(self.path))

    def to_csv(self) -> str:
        """The table ``bench fit`` reads, what else happened as remarks."""
        return csv_of(self._taken, self.plan, self.events)

    def stated(self) -> BenchSettings:
        """The settings, with the days of the calibration as the session knows them."""
        return self.facts.at_end(self._taken, self._now())

    def evaluate(self) -> Evaluation:
        """Curves, figures and budget of what has been taken; raises ``ReadingsError``."""
        return evaluate(self.readings(), self.stated())
