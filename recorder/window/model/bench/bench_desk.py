"""The guided bench session as its page shows it. No Qt here."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.bench.bench_reading import BenchError, DoubtedReadingError
from calibration.bench.pending_reading import shown_force, typed_force_kN, typed_temperature_C
from calibration.quantities.typed import typed_parts
from calibration.quantities.units import UnitError
from calibration.quantities.written import typeset, written
from recorder.window.model.trace.pyramid import Pyramid

if TYPE_CHECKING:
    from calibration.bench.bench_reading import TakenReading
    from calibration.bench.plan import PlanStep
    from calibration.bench.session import BenchSession
    from calibration.bench.stability import Stability
    from recorder.acquisition.bench.bench_feed import BenchFeed, CountsChunk

__all__ = ["BenchDesk", "BenchMode", "BenchState", "PlanLine"]

_MOST_TYPED: Final = 200


@dataclass(frozen=True, slots=True)
class PlanLine:
    """One step of the plan as shown."""

    step: PlanStep
    reading: TakenReading | None
    current: bool
    chosen: bool


class BenchMode(StrEnum):
    """What is being typed."""

    FORCE = "force"
    REPEAT = "repeat"
    """Why a step is read again."""
    SKIP = "skip"
    """Why a step is left unread."""
    TEMPERATURE = "temperature"
    ACCEPT = "accept"
    """Why a reading held back is taken as it is."""
    HURRY = "hurry"
    """Why the wait is cut short."""
    FINISH = "finish"
    """Nothing: it is asked whether to finish."""

    @property
    def heading(self) -> str:
        """What stands before the words that are typed."""
        return {BenchMode.HURRY: "cut the wait", BenchMode.REPEAT: "read again"}.get(
            self, self.value
        )


class BenchState(StrEnum):
    """What the signal and the reading stand at: one word to be read from the press."""

    NO_COUNTS = "NO COUNTS"
    PAUSED = "PAUSED"
    RAIL = "AT THE RAIL"
    HELD_BACK = "HELD BACK"
    WAITING = "WAITING"
    READING = "READING"
    STUCK = "STUCK?"
    """Still, but every count is the same."""
    STABLE = "STABLE"
    NOT_YET = "NOT YET"

    @property
    def alarming(self) -> bool:
        """Whether somebody has to see to it."""
        return self in (
            BenchState.NO_COUNTS,
            BenchState.PAUSED,
            BenchState.RAIL,
            BenchState.HELD_BACK,
        )


class BenchDesk:
    """State of the page. Used by the window's thread."""

    def __init__(
        self,
        session: BenchSession,
        feed: BenchFeed | None = None,
        *,
        patience_s: float = 0.0,
    ) -> None:
        """``patience_s``: longest wait for a still signal before a reading."""
        self.session = session
        self._patience_s = patience_s
        self.mode = BenchMode.FORCE
        self.typed = ""
        self.message = ""
        self.caution = ""
        """Why the last thing asked was not done."""
        self.chosen: int | None = None
        """Number of the step chosen in the plan; None: the current one."""
        self.temperature_C = session.settings.room_temperature_C
        self.finished = False
        self.trace = Pyramid(capacity=1 << 15, levels=4)
        self.newest_s = 0.0
        self._feed = feed
        self._last_s = -math.inf

    # ------------------------------------------------------------------ what is shown

    def lines(self) -> list[PlanLine]:
        """The whole plan with what was read."""
        current = self.session.current
        chosen = self.chosen if self.chosen is not None else current and current.number
        return [
            PlanLine(s, self.session.valid_reading(s.number), s is current, s.number == chosen)
            for s in self.session.plan
        ]

    def instruction(self) -> str:
        """What the person at the press is to do now."""
        step = self.session.current
        if step is None:
            return "every step is read: Ctrl+F to finish, or choose a step to read again"
        return f"{step.number}/{len(self.session.plan)}  {step.instruction}"

    def prompt(self) -> str:
        """What may be typed now."""
        step = self.session.current
        if self.mode is BenchMode.REPEAT:
            return f"why step {self.chosen} is read again"
        if self.mode is BenchMode.SKIP:
            return "why this step is left unread"
        if self.mode is BenchMode.TEMPERATURE:
            return "temperature at the cell, in °C or with its unit"
        if self.mode is BenchMode.ACCEPT:
            return "why the reading is kept in spite of the doubt"
        if self.mode is BenchMode.HURRY:
            return "why the wait is cut short"
        if self.mode is BenchMode.FINISH:
            return "Enter: work out the certificate   Esc: go on"
        if step is None:
            return "nothing to read"
        if step.unloaded:
            return "Enter: it is unloaded, read the zero"
        unit = self.session.facts.force_unit
        nominal = typeset(shown_force(step.applied_kN, unit))
        source = "the reference cell" if self.session.reference is not None else nominal
        return f"force as applied, in {unit} or with its unit; or Enter for {source}"

    def verdict(self) -> Stability:
        """Whether the counts stand still."""
        return self.session.live.stability()

    def state(self) -> tuple[BenchState, str]:
        """Where things stand, in one word, and why."""
        session, verdict = self.session, self.verdict()
        if self.trouble():
            return BenchState.NO_COUNTS, self.trouble()
        if self._feed is not None and self._feed.pause:
            return BenchState.PAUSED, self._feed.pause
        if verdict.at_rail:
            return BenchState.RAIL, "overloaded, or the cable is off"
        if session.held is not None:
            return BenchState.HELD_BACK, "read it again, or accept it with a reason (Ctrl+A)"
        left_s, pending = session.left_s, session.pending
        if left_s is not None and pending is not None:
            if left_s > 0.0:
                words = f"{math.ceil(left_s)} s of {pending.step.settle_s:g} s to go"
                return BenchState.WAITING, words
            return BenchState.WAITING, f"for a still signal: {verdict.reason}"
        if pending is not None:
            done = (self.progress() or 0.0) * pending.seconds
            return BenchState.READING, f"{done:.1f} of {pending.seconds:g} s"
        if not verdict.stable:
            return BenchState.NOT_YET, verdict.reason
        if verdict.stuck:
            return BenchState.STUCK, "every count is the same: is the cable on?"
        return BenchState.STABLE, ""

    def progress(self) -> float | None:
        """How much of wait or reading has passed, 0 to 1; None between readings."""
        pending = self.session.pending
        if pending is None:
            return None
        if pending.start_s is None:
            begun_s, seconds = pending.reached_s, pending.step.settle_s
        else:
            begun_s, seconds = pending.start_s, pending.seconds
        if seconds <= 0.0:
            return 0.0
        return float(np.clip((self.newest_s - begun_s) / seconds, 0.0, 1.0))

    def trouble(self) -> str:
        """Why no counts come; empty while they do."""
        if self._feed is None or not self._feed.trouble:
            return ""
        return f"{self._feed.trouble}; the session is kept: run it again to go on"

    # ------------------------------------------------------------------ what happens

    def tick(self) -> None:
        """Take up counts, and a reading whose seconds have passed."""
        for chunk in [] if self._feed is None else self._feed.new_counts():
            self._draw(chunk)
        try:
            taken = self.session.poll()
        except DoubtedReadingError as error:
            self.caution = f"{error} (Ctrl+A)"
            return
        except BenchError as error:
            self.caution = str(error)
            return
        if taken is not None:
            self.caution = ""
            self._tell(taken)

    def _tell(self, taken: TakenReading) -> None:
        force = typeset(shown_force(taken.applied_kN, self.session.facts.force_unit))
        against = "".join(f"   ▲ {words}" for words in taken.findings)
        self.message = (
            f"reading {taken.number}: {force} ({taken.applied_by}),"
            f" {written(taken.mean, 1)} counts, sd {taken.sd:.1f}, {taken.stability}{against}"
        )

    def _draw(self, chunk: CountsChunk) -> None:
        t_s, counts = chunk
        if float(t_s[0]) <= self._last_s:
            # The device began anew: so does the drawing.
            self.trace = Pyramid(capacity=1 << 15, levels=4)
        self.trace.append(t_s, t_s, counts)
        self._last_s = self.newest_s = float(t_s[-1])

    def key(self, name: str, text: str) -> bool:
        """A key: ``Enter``, ``Escape``, ``Up``, ``Ctrl+R`` … or what it types."""
        if name in _ACTIONS:
            self.do(_ACTIONS[name])
        elif name == "Enter":
            self._entered()
        elif name == "Escape":
            self._escape()
        elif name == "Backspace":
            self.typed = self.typed[:-1]
        elif name in ("Up", "Down"):
            self._move(-1 if name == "Up" else 1)
        elif text and text.isprintable() and not name.startswith("Ctrl+"):
            self.typed = (self.typed + text)[:_MOST_TYPED]
            self.caution = ""
        else:
            return False
        return True

    def do(self, action: str) -> None:
        """An action from a key or a button."""
        if action == "take":
            self._entered()
        elif action == "cancel":
            self._escape()
        elif action == "repeat":
            self.chosen = self.chosen or self._last_read()
            if self.chosen is None or self.session.valid_reading(self.chosen) is None:
                self.caution = "choose a step that has a reading (↑ ↓), then press Ctrl+R"
            else:
                self._switch(BenchMode.REPEAT)
        elif action == BenchMode.ACCEPT and self.session.held is None:
            self.caution = "no reading is held back"
        elif action == BenchMode.HURRY and self.session.left_s is None:
            self.caution = "there is no wait to cut short"
        elif action in tuple(BenchMode):
            self._switch(BenchMode(action))

    def _switch(self, mode: BenchMode) -> None:
        self.mode, self.typed, self.caution = mode, "", ""

    def _escape(self) -> None:
        if self.mode is BenchMode.FORCE and self.session.pending is not None:
            self.session.cancel_reading("by the person at the bench")
            self.message = "reading given up, and noted as given up"
        self.chosen = None
        self._switch(BenchMode.FORCE)

    def _entered(self) -> None:
        try:
            self._carry_out()
        except (BenchError, UnitError) as error:
            self.caution = str(error)

    def _carry_out(self) -> None:
        words = self.typed.strip()
        if self.mode is BenchMode.REPEAT and self.chosen is not None:
            step = self.session.repeat(self.chosen, words)
            self.message = (
                f"step {step.number} is read again; the first reading stays in the record"
            )
        elif self.mode is BenchMode.SKIP:
            self.session.skip(words)
        elif self.mode is BenchMode.TEMPERATURE:
            self.temperature_C = typed_temperature_C(words)
        elif self.mode is BenchMode.ACCEPT:
            self._tell(self.session.accept(words))
        elif self.mode is BenchMode.HURRY:
            self.session.hurry(words)
        elif self.mode is BenchMode.FINISH:
            self.finished = True
        else:
            self._take(words)
        self.chosen = None
        self._switch(BenchMode.FORCE)

    def _take(self, words: str) -> None:
        if self.session.pending is not None:
            msg = "a reading is being gathered; Esc gives it up"
            raise BenchError(msg)
        parts = typed_parts(words, "force")
        if len(parts) > 1:
            msg = f"force is {words!r}: one number is needed, with its unit"
            raise BenchError(msg)
        unit = self.session.facts.force_unit
        self.session.start_reading(
            applied_kN=typed_force_kN(*parts[0], unit) if parts else None,
            temperature_C=self.temperature_C,
            patience_s=self._patience_s,
        )

    def _last_read(self) -> int | None:
        return self.session.taken[-1].step if self.session.taken else None

    def _move(self, by: int) -> None:
        current = self.session.current
        at = self.chosen or (current.number if current is not None else len(self.session.plan))
        self.chosen = min(max(at + by, 1), len(self.session.plan))


_ACTIONS: Final = {
    "Ctrl+R": "repeat",
    "Ctrl+K": "skip",
    "Ctrl+E": "temperature",
    "Ctrl+A": "accept",
    "Ctrl+H": "hurry",
    "Ctrl+F": "finish",
}
