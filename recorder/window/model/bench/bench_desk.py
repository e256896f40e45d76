"""The guided bench session as its page shows it. No Qt here."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.bench.session_file import BenchError
from calibration.quantities.units import UnitError, convert
from calibration.quantities.written import typeset
from recorder.window.model.trace.pyramid import Pyramid

if TYPE_CHECKING:
    from calibration.bench.plan import PlanStep
    from calibration.bench.session import BenchSession
    from calibration.bench.session_file import TakenReading
    from calibration.bench.stability import Stability
    from recorder.acquisition.bench.bench_feed import BenchFeed, CountsChunk

__all__ = ["BenchDesk", "BenchMode", "PlanLine"]

_MOST_TYPED: Final = 200
_FORCE: Final = re.compile(r"([+\-\u2212]?[\d.,]+)\s*([^\d\s]*)\Z")


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
    FINISH = "finish"
    """Nothing: it is asked whether to finish."""


class BenchDesk:
    """State of the page. Used by the window's thread."""

    def __init__(self, session: BenchSession, feed: BenchFeed | None = None) -> None:
        self.session = session
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
            return "every step is read: Ctrl+F finishes, or choose a step and repeat it"
        return f"{step.number}/{len(self.session.plan)}  {step.instruction}"

    def prompt(self) -> str:
        """What may be typed now."""
        step = self.session.current
        if self.mode is BenchMode.REPEAT:
            return f"why step {self.chosen} is read again"
        if self.mode is BenchMode.SKIP:
            return "why this step is left unread"
        if self.mode is BenchMode.TEMPERATURE:
            return "temperature at the cell, °C"
        if self.mode is BenchMode.FINISH:
            return "Enter: work out the certificate   Esc: go on"
        if step is None:
            return "nothing to read"
        if step.kind == "zero":
            return "Enter reads the zero"
        nominal = typeset(f"{step.applied_kN:g}")
        source = "the reference cell" if self.session.reference is not None else f"{nominal} kN"
        return f"force as applied (with a unit, kN when none), or Enter for {source}"

    def verdict(self) -> Stability:
        """Whether the counts stand still."""
        return self.session.live.stability()

    def progress(self) -> float | None:
        """How much of the reading being gathered has passed, 0 to 1; None between readings."""
        pending = self.session.pending
        if pending is None:
            return None
        return float(np.clip((self.newest_s - pending.start_s) / pending.seconds, 0.0, 1.0))

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
        except BenchError as error:
            self.caution = str(error)
            return
        if taken is not None:
            self.caution = ""
            self.message = (
                f"reading {taken.number}: {taken.applied_kN:g} kN ({taken.applied_by}),"
                f" {taken.mean:.1f} counts, sd {taken.sd:.1f}, {taken.stability}"
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
                self.caution = "choose a step that has a reading (↑ ↓), then repeat it"
            else:
                self._switch(BenchMode.REPEAT)
        elif action in (BenchMode.SKIP, BenchMode.TEMPERATURE, BenchMode.FINISH):
            self._switch(BenchMode(action))

    def _switch(self, mode: BenchMode) -> None:
        self.mode, self.typed, self.caution = mode, "", ""

    def _escape(self) -> None:
        if self.mode is BenchMode.FORCE and self.session.pending is not None:
            self.session.cancel_reading("by the person at the bench")
            self.message = "reading given up; that it was is kept"
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
            self.message = f"step {step.number} is read again; the reading so far stays"
        elif self.mode is BenchMode.SKIP:
            self.session.skip(words)
        elif self.mode is BenchMode.TEMPERATURE:
            self.temperature_C = _number(words, "temperature")
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
        applied = _force_kN(words) if words else None
        self.session.start_reading(applied_kN=applied, temperature_C=self.temperature_C)

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
    "Ctrl+F": "finish",
}


def _number(words: str, what: str) -> float:
    try:
        value = float(words.replace(",", ".").replace("−", "-"))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        msg = f"{what} is {words!r}: a number is needed"
        raise BenchError(msg)
    return value


def _force_kN(words: str) -> float:
    """``12.5``, ``12.5 kN``, ``2810 lbf`` in kN; raises ``BenchError`` or ``UnitError``."""
    found = _FORCE.match(words)
    number, unit = (words, "") if found is None else found.groups()
    return float(convert(_number(number, "force"), unit or "kN", "kN"))
