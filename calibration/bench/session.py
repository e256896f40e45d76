"""A guided bench session, without a screen: plan, live counts, readings, resume.

One thread owns the session (it alone touches the file); its ``live`` counts may be fed from
another. A reading is started, gathers counts for some seconds, and is committed by
``poll`` once they have passed::

    session = BenchSession.create("cell.bench", settings=…, plan=make_plan(capacity_kN=500.0))
    session.live.feed(t_s, counts)        # from the driver, again and again
    session.live.stability()              # the verdict now
    session.start_reading(applied_kN=50.02)
    taken = session.poll()                # None until the seconds have passed
    session.repeat(7, "press crept")      # then start_reading again
    session.evaluate()                    # curves, figures, budget so far
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Self

from calibration.bench.live_counts import LiveCounts
from calibration.bench.pending_reading import (
    PendingReading,
    applied_force,
    check_seconds,
    check_temperature,
    force_certificate,
)
from calibration.bench.plan import PlanStep
from calibration.bench.session_file import BenchError, BenchStore, TakenReading
from calibration.bench.stability import Stability, StabilityLimits, WindowMean
from calibration.bench.taken_readings import csv_of, readings_of
from calibration.certificates.certificate import full_document
from calibration.certificates.force import RAILS_24_BIT, ForceCertificate
from calibration.evaluation.evaluation import Evaluation, evaluate
from calibration.readings.bench_settings import BenchSettings
from calibration.readings.readings import Readings

__all__ = ["BenchSession"]

_ALL_READ: Final = "every step of the plan is read; repeat one with a reason, or finish"
# Shares of the asked seconds: covered by counts at least, without a count at most.
_MIN_FILL: Final = 0.5
_MAX_GAP: Final = 0.25


class BenchSession:
    """The session; see the module."""

    def __init__(self, store: BenchStore, now: Callable[[], datetime]) -> None:
        facts = store.facts()
        try:
            self.settings = BenchSettings.from_document(facts["settings"])
            self.plan = tuple(PlanStep.from_document(step) for step in facts["plan"])
            self.limits = StabilityLimits(**facts["limits"])
            self.seconds = float(facts["seconds"])
            self.started = datetime.fromisoformat(facts["started"])
            text = facts["reference"]
            self.reference = None if text is None else force_certificate(text)
        except (KeyError, TypeError, ValueError) as error:
            store.close()
            msg = f"{store.path}: damaged bench session ({error})"
            raise BenchError(msg) from error
        self._store, self._now = store, now
        self._taken = store.readings()
        self._skipped = {
            int(text.split(":")[0]) for _, k, text in store.events() if k == "skipped"
        }
        self.live: Final = LiveCounts(self.limits, self.reference)
        """Fed by another thread; the only part of the session that may be."""
        self._pending: PendingReading | None = None
        self._again: tuple[int, str] | None = None

    # ---------------------------------------------------------- life

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
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> Self:
        """Begin a session; raises ``BenchError`` when the file exists or cannot be made.

        ``seconds`` is how long a reading gathers; ``reference`` the certificate of a reference
        cell on a second channel (None: forces are typed).
        """
        if not plan:
            msg = "the plan has no step"
            raise BenchError(msg)
        check_seconds(seconds)
        used = limits or StabilityLimits()
        facts: dict[str, Any] = {
            "settings": settings.to_document(),
            "plan": [step.to_document() for step in plan],
            "limits": {
                "window_s": used.window_s,
                "drift_counts": used.drift_counts,
                "noise_counts": used.noise_counts,
            },
            "seconds": seconds,
            "started": now().isoformat(),
            "reference": None if reference is None else full_document(reference),
        }
        return cls(BenchStore.create(path, facts), now)

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

    # ---------------------------------------------------------- state

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
        found = [reading for reading in self._taken if reading.step == step]
        return found[-1] if found else None

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

    @property
    def pending(self) -> PendingReading | None:
        return self._pending

    # ---------------------------------------------------------- live

    def start_reading(
        self,
        *,
        applied_kN: float | None = None,
        seconds: float | None = None,
        temperature_C: float | None = None,
    ) -> PendingReading:
        """Begin to gather the current step's reading from this instant on.

        ``applied_kN`` is the force typed (tension +); None takes it from the reference
        channel, or, without one, the plan's nominal force. A zero step is always 0 kN.

        Raises
        ------
        BenchError
            Nothing to read, no counts coming, a force of the wrong sign or far off the step.
        """
        step = self.current
        if step is None:
            raise BenchError(_ALL_READ)
        length = self.seconds if seconds is None else seconds
        check_seconds(length)
        force, by = applied_force(step, applied_kN, self.reference)
        check_temperature(temperature_C)
        latest = self.live.latest_s
        if latest is None:
            msg = "no counts are coming from the cell: check device, port and channel"
            raise BenchError(msg)
        self.live.keep(length)
        self._pending = self._prepare(step, force, by, latest, length, temperature_C)
        return self._pending

    def _prepare(
        self,
        step: PlanStep,
        force: float | None,
        by: str,
        start_s: float,
        seconds: float,
        temperature_C: float | None,
    ) -> PendingReading:
        replaced = self.valid_reading(step.number)
        return PendingReading(
            step=step,
            start_s=start_s,
            seconds=seconds,
            applied_kN=force,
            applied_by=by,
            temperature_C=temperature_C,
            reason="" if self._again is None else self._again[1],
            repeat_of=None if replaced is None else replaced.number,
        )

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
            Nothing to read, a reading not finite or at a rail, a wrong force.
        """
        step = self.current
        if step is None:
            raise BenchError(_ALL_READ)
        force, by = applied_force(step, applied_kN, None)
        check_temperature(temperature_C)
        if not math.isfinite(reading) or reading in RAILS_24_BIT:
            msg = f"step {step.number}: reading {reading!r} is not finite or is saturated"
            raise BenchError(msg)
        pending = self._prepare(step, force, by, 0.0, 0.0, temperature_C)
        verdict = Stability(
            stable=False, seconds=0.0, mean=reading, slope_per_s=math.nan, noise_sd=math.nan,
            reason="read by eye",
        )  # fmt: skip
        mean = WindowMean(mean=reading, sd=0.0, n=1, seconds=0.0, low=reading, high=reading)
        return self._commit(pending, mean, None, verdict)

    def cancel_reading(self, reason: str) -> None:
        """Give up the reading being gathered; that it was is kept as an event."""
        if self._pending is not None:
            self.note("cancelled", f"step {self._pending.step.number}: {reason}")
        self._pending = None

    def poll(self) -> TakenReading | None:
        """Commit the reading once its seconds have passed; None while they have not.

        Raises
        ------
        BenchError
            Saturated counts, or a feed with holes: refused, kept as an event, to be taken
            again. Also a disk that does not take it.
        """
        pending = self._pending
        if pending is None:
            return None
        found = self.live.over(pending.start_s, pending.seconds)
        if found is None:
            return None
        mean, standard, verdict = found
        self._pending = None
        if (
            mean is None
            or mean.seconds < _MIN_FILL * pending.seconds
            or mean.longest_gap_s > _MAX_GAP * pending.seconds
        ):
            raise self._refuse(pending, "the counts stopped or the device restarted meanwhile")
        if mean.low <= RAILS_24_BIT[0] or mean.high >= RAILS_24_BIT[1]:
            raise self._refuse(pending, "the converter stood at its rail (saturated)")
        return self._commit(pending, mean, standard, verdict)

    def _refuse(self, pending: PendingReading, why: str) -> BenchError:
        self.note("refused", f"step {pending.step.number}: {why}")
        return BenchError(f"step {pending.step.number}: {why}; reading refused, take it again")

    def _commit(
        self,
        pending: PendingReading,
        mean: WindowMean,
        standard: WindowMean | None,
        verdict: Stability,
    ) -> TakenReading:
        applied, sd = pending.applied_kN, None
        if pending.step.kind == "zero" and standard is not None:
            self.live.set_reference_zero(standard.mean)
        if applied is None:
            if standard is None:
                raise self._refuse(pending, "no counts came from the reference cell")
            applied, sd = self.live.reference_mean(standard)
        now = self._now()
        seconds = (now - self.started).total_seconds()
        last = self._taken[-1].time_s if self._taken else 0.0
        taken = TakenReading(
            number=len(self._taken) + 1,
            step=pending.step.number,
            applied_kN=applied,
            applied_by=pending.applied_by,
            applied_sd_kN=sd,
            mean=mean.mean,
            sd=mean.sd,
            n=mean.n,
            seconds=mean.seconds,
            stable=verdict.stable,
            stability=verdict.reason,
            temperature_C=pending.temperature_C,
            utc=now.isoformat(),
            # The wall clock may step back; readings do not.
            time_s=max(seconds, last),
            repeat_of=pending.repeat_of,
            reason=pending.reason,
        )
        self._store.add_reading(taken)
        self._taken.append(taken)
        self._again = None
        return taken

    # ---------------------------------------------------------- changes of mind

    def repeat(self, step: int, reason: str) -> PlanStep:
        """Ask for a step to be read again; the reading so far stays, marked as replaced."""
        if not reason.strip():
            msg = "a repeat needs its reason in words"
            raise BenchError(msg)
        if self.valid_reading(step) is None:
            msg = f"step {step} has no reading to repeat"
            raise BenchError(msg)
        self.note("repeat asked", f"{step}: {reason.strip()}")
        self._again = (step, reason.strip())
        return self.plan[step - 1]

    def skip(self, reason: str) -> None:
        """Leave the current step unread, with a reason; figures that need it say so."""
        step = self.current
        if step is None or not reason.strip():
            msg = "skipping needs a step that is not read yet, and a reason in words"
            raise BenchError(msg)
        if self._again is not None:
            self._again = None
            return
        self.note("skipped", f"{step.number}: {reason.strip()}")
        self._skipped.add(step.number)

    def note(self, kind: str, text: str) -> None:
        """Keep a remark; durable on return."""
        self._store.add_event(self._now().isoformat(), kind, text)

    # ---------------------------------------------------------- results

    def readings(self) -> Readings:
        """Everything taken so far as readings; raises ``ReadingsError`` when it is no use."""
        return readings_of(self._taken, self.plan, source=str(self.path))

    def to_csv(self) -> str:
        """The readings as the table ``bench fit`` reads, what else happened as remarks."""
        return csv_of(self._taken, self.plan, self.events)

    def evaluate(self) -> Evaluation:
        """Curves, figures and budget of what has been taken; raises ``ReadingsError``."""
        issued = self.settings.issued or self._now().astimezone().date()
        return evaluate(self.readings(), replace(self.settings, issued=issued))
