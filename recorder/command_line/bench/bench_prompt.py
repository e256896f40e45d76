"""Questions and answers of a guided bench session, until the plan is done or the person stops."""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final

from calibration.bench.bench_reading import BenchError, DoubtedReadingError, TakenReading
from calibration.bench.pending_reading import shown_force, typed_force_kN, typed_temperature_C
from calibration.bench.plan import PlanStep
from calibration.evaluation.issue import CAUTIONS
from calibration.quantities.bounded_text import read_bounded_text
from calibration.quantities.printable import printable
from calibration.quantities.typed import typed_parts
from calibration.quantities.units import UnitError
from recorder.command_line.support.errors import UsageError

if TYPE_CHECKING:
    import argparse

    from calibration.bench.session import BenchSession
    from recorder.acquisition.bench.bench_feed import BenchFeed

__all__ = ["Prompt", "script_lines"]

_LOOK_S: Final = 0.5
"""Counts are looked for so often while a reading is waited for."""
_TOLD_S: Final = 10.0
"""The countdown is told so often."""


class Prompt:
    """One session at a terminal, or from a script of answers."""

    def __init__(
        self, args: argparse.Namespace, session: BenchSession, feed: BenchFeed | None
    ) -> None:
        self.args, self.session, self.feed = args, session, feed
        self.temperature_C = session.settings.room_temperature_C
        self.hurried = ""
        self.script = None if args.script is None else script_lines(args.script)
        self.line = 0
        self.wrong: UsageError | None = None
        """What was wrong with the script's last answer: only the next one may mend it."""
        self.words: dict[str, Callable[[str], None]] = {
            "repeat": self.repeat,
            "skip": self.session.skip,
            "note": self.note,
            "temperature": self.temperature,
            "accept": self.accept,
            "hurry": self.hurry,
        }

    def run(self) -> bool:
        """True when the results are to be worked out."""
        for caution in CAUTIONS:
            print(f"caution: {caution}")
        while True:
            step = self.session.current
            if step is None and self.script is None:
                print("every step has been read; type 'finish', or 'repeat STEP REASON'")
            answer = self.ask(step)
            word, _, rest = (answer or "").partition(" ")
            if self.wrong is not None and (answer is None or word != "accept"):
                raise self.wrong
            self.wrong = None
            if answer is None:
                return step is None
            if word in ("quit", "finish"):
                return word == "finish"
            self.answer(step, word, rest.strip())

    def answer(self, step: PlanStep | None, word: str, rest: str) -> None:
        """Do as told, or say why not; a script ends where it is wrong."""
        try:
            self.act(step, word, rest)
        except (BenchError, UnitError) as error:
            if self.script is None:
                print(printable(str(error)), file=sys.stderr)
                return
            wrong = UsageError(f"{self.args.script} line {self.line}: {error}")
            if not isinstance(error, DoubtedReadingError):
                raise wrong from error
            print(f"    held back: {printable(str(error))}")
            self.wrong = wrong

    def ask(self, step: PlanStep | None) -> str | None:
        """The next answer; None when there is none any more."""
        if step is not None:
            print(f"[{step.number}/{len(self.session.plan)}] {step.instruction}")
            self.show(step)
        if self.script is not None:
            found = next(self.script, None)
            if found is None:
                return None
            self.line = found[0]
            return found[1]
        try:
            return input("> ").strip()
        except EOFError:
            return None

    def show(self, step: PlanStep) -> None:
        """The step's force in the unit of the session, and what the cell reads now."""
        if self.session.facts.force_unit != "kN" and not step.unloaded:
            print(f"    {shown_force(step.applied_kN, self.session.facts.force_unit)}")
        if self.feed is not None:
            verdict = self.session.live.stability()
            stuck = ", but every count is the same" if verdict.stuck else ""
            counts = f"{verdict.mean:.0f} counts, " if math.isfinite(verdict.mean) else ""
            print(f"    {counts}{verdict.reason}{stuck}")

    def act(self, step: PlanStep | None, word: str, rest: str) -> None:
        """One answer."""
        if word in self.words:
            self.words[word](rest)
        elif word.isalpha():
            msg = (
                f"{word!r} is no word here; known: {', '.join([*self.words, 'finish', 'quit'])}"
            )
            raise BenchError(msg)
        elif step is None:
            msg = "every step has been read; type 'finish', 'repeat STEP REASON' or 'quit'"
            raise BenchError(msg)
        else:
            self.report(self.take(step, f"{word} {rest}".strip()))

    def repeat(self, rest: str) -> None:
        """A step is read again."""
        number, _, reason = rest.partition(" ")
        self.session.repeat(int(number) if number.isdecimal() else 0, reason)

    def note(self, rest: str) -> None:
        """A remark."""
        self.session.note("note", rest)

    def temperature(self, rest: str) -> None:
        """At the cell, from now on."""
        self.temperature_C = typed_temperature_C(rest)
        print(f"    temperature {self.temperature_C:.4g} °C")

    def accept(self, rest: str) -> None:
        """The reading held back is taken as it is."""
        self.report(self.session.accept(rest))

    def hurry(self, rest: str) -> None:
        """The next reading is taken without its wait."""
        if not rest:
            msg = "cutting the wait short needs its reason in words"
            raise BenchError(msg)
        self.hurried = rest

    def take(self, step: PlanStep, words: str) -> TakenReading:
        """A reading as answered: a force, or a force and what the indicator reads."""
        parts = typed_parts(words, "the answer") if words else []
        if self.feed is None:
            return self.take_by_eye(step, parts)
        if len(parts) > 1:
            msg = "the counts come from the port: answer with the applied force alone, or Enter"
            raise BenchError(msg)
        applied = self.force_kN(*parts[0]) if parts else None
        while self.session.live.latest_s is None:
            self.feed.wait(_LOOK_S)
        self.session.start_reading(
            applied_kN=applied,
            temperature_C=self.temperature_C,
            patience_s=self.args.settle_seconds,
        )
        if self.hurried and self.session.left_s is not None:
            self.session.hurry(self.hurried)
        self.hurried = ""
        try:
            return self.gather()
        except KeyboardInterrupt:
            self.session.cancel_reading("by the person at the bench")
            msg = f"step {step.number}: reading given up; that it was is kept"
            raise BenchError(msg) from None

    def take_by_eye(self, step: PlanStep, parts: list[tuple[float, str]]) -> TakenReading:
        """What a person read from an indicator."""
        if len(parts) not in (1, 2) or (len(parts) == 1 and not step.unloaded):
            msg = "without a port, answer 'FORCE READING' (unloaded: 'READING')"
            raise BenchError(msg)
        reading, unit = parts[-1]
        if unit not in ("", "counts"):
            msg = f"the reading is in {unit!r}: write it as the indicator shows it, without one"
            raise BenchError(msg)
        applied = self.force_kN(*parts[0]) if len(parts) == 2 else None
        return self.session.type_reading(
            reading, applied_kN=applied, temperature_C=self.temperature_C
        )

    def force_kN(self, number: float, unit: str) -> float:
        """A typed force in kN; without a unit it is in the session's."""
        return typed_force_kN(number, unit, self.session.facts.force_unit)

    def gather(self) -> TakenReading:
        """Wait as the plan says, through pauses of the counts, until the reading is taken."""
        assert self.feed is not None
        paused, told_s = False, float("inf")
        while True:
            came = self.feed.wait(_LOOK_S)
            pause = "" if came else self.feed.pause
            if pause and not paused:
                print(f"    {pause}", flush=True)
            elif came and paused:
                print("    counts again", flush=True)
            paused = bool(pause) or (paused and not came)
            taken = self.session.poll()
            if taken is not None:
                return taken
            left_s = self.session.left_s
            if left_s and left_s <= told_s - _TOLD_S:
                print(f"    waiting: {left_s:.0f} s to go", flush=True)
                told_s = left_s

    def report(self, taken: TakenReading) -> None:
        """The reading in one line, and what stands against it."""
        by = "" if taken.repeat_of is None else f", in place of reading {taken.repeat_of}"
        force = shown_force(taken.applied_kN, self.session.facts.force_unit)
        print(
            f"    reading {taken.number}: {force} ({taken.applied_by}),"
            f" {taken.mean:.1f} counts, sd {taken.sd:.1f}, {taken.n} samples,"
            f" {taken.stability}{by}"
        )
        for words in taken.findings:
            print(f"    caution: {printable(words)}")


def script_lines(path: str) -> Iterator[tuple[int, str]]:
    """(line, answer); remarks begin with #, ``take`` stands for an empty answer."""
    text = read_bounded_text(
        Path(path), largest=2**20, refused="not a script of answers", error=UsageError
    )
    for number, line in enumerate(text.splitlines(), start=1):
        answer = line.strip()
        if answer and not answer.startswith("#"):
            yield number, "" if answer == "take" else answer
