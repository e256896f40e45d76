"""``testcar bench run``: the guided session at a terminal, or from a script of answers."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from calibration.bench.plan import PlanStep, make_plan
from calibration.bench.session import BenchSession
from calibration.bench.session_file import BenchError, TakenReading
from calibration.bench.stability import StabilityLimits
from calibration.certificates.certificate import load_certificate
from calibration.certificates.force import ForceCertificate
from calibration.evaluation.evaluation import evaluate
from calibration.evaluation.issue import CAUTIONS
from calibration.readings.bench_settings import BenchSettings
from drivers.interface.errors import DriverError
from drivers.interface.registry import open_driver
from recorder.acquisition.bench.bench_feed import BenchFeed
from recorder.command_line.bench.bench_work import print_results, write_results
from recorder.command_line.support.errors import UsageError
from recorder.window.qt.frame.preflight import check_screen

if TYPE_CHECKING:
    from drivers.interface.driver_interface import DeviceDriver

__all__ = ["run_session"]

_FEED_PATIENCE_S: Final = 10.0
"""No counts for so long while a reading gathers: the feed is broken."""


def run_session(args: argparse.Namespace, settings: BenchSettings) -> int:
    """``bench run``."""
    with _open(args, settings) as session:
        finished = _on_page(args, session) if args.page else _at_prompt(args, session)
        if args.csv and session.taken:
            Path(args.csv).write_text(session.to_csv(), encoding="utf-8")
            print(f"readings: {args.csv}")
        if not finished:
            print(f"{session.done} of {len(session.plan)} steps done; run it again to go on")
            return 0
        evaluation = evaluate(session.readings(), _with_accepted(session.settings, settings))
        print_results(evaluation)
        for name, path in write_results(evaluation, out=args.out, pdf=args.pdf).items():
            print(f"{name}: {path}")
    return 0


def _with_accepted(session: BenchSettings, given: BenchSettings) -> BenchSettings:
    """Rows are accepted when they have been read: of all that is given it counts afterwards."""
    if not given.accepted_rows:
        return session
    rows, reason = given.accepted_rows, given.accepted_reason
    return replace(session, accepted_rows=rows, accepted_reason=reason)


def _at_prompt(args: argparse.Namespace, session: BenchSession) -> bool:
    with _feed(args, session) as feed:
        return _Prompt(args, session, feed).run()


def _on_page(args: argparse.Namespace, session: BenchSession) -> bool:
    """The same session in a window; True when the person asked for the certificate."""
    # Only the page needs Qt: a session at the terminal runs without.
    from recorder.window.qt.bench.bench_page import run_bench_page

    if args.script is not None:
        msg = "--page and --script exclude each other: a page is worked by hand"
        raise UsageError(msg)
    check_screen()
    with _feed(args, session) as feed:
        return run_bench_page(session, feed=feed, png=args.png, seconds=args.page_seconds)


def _open(args: argparse.Namespace, settings: BenchSettings) -> BenchSession:
    if Path(args.session).exists():
        session = BenchSession.open(args.session)
        print(f"{args.session}: going on, {session.done} of {len(session.plan)} steps done")
        return session
    capacity_kN = settings.capacity_kN
    if capacity_kN is None:
        msg = "a new session needs --capacity-kN"
        raise UsageError(msg)
    reference = None
    if (args.reference_cell is None) != (args.reference_channel is None):
        msg = "--reference-cell and --reference-channel belong together"
        raise UsageError(msg)
    if args.reference_cell is not None:
        found = load_certificate(args.reference_cell)
        if not isinstance(found, ForceCertificate):
            msg = f"{args.reference_cell}: not a certificate of a force cell"
            raise UsageError(msg)
        reference = found
        settings = _with_reference(settings, reference)
    plan = make_plan(
        capacity_kN=capacity_kN,
        steps=args.steps,
        positions_deg=args.positions,
        senses=args.senses,
        preloads=args.preloads,
        falling=not args.rising_only,
        creep=args.creep,
    )
    limits = StabilityLimits(
        window_s=args.window_s, drift_counts=args.drift_counts, noise_counts=args.noise_counts
    )
    return BenchSession.create(
        args.session,
        settings=settings,
        plan=plan,
        limits=limits,
        seconds=args.seconds,
        reference=reference,
    )


def _with_reference(settings: BenchSettings, reference: ForceCertificate) -> BenchSettings:
    """What the reference cell's own certificate says, where the person did not."""
    high = max(abs(limit) for limit in reference.range_kN)
    force = np.linspace(0.1 * high, high, 10)
    relative = float(np.max(reference.expanded_uncertainty_kN(force) / force))
    return replace(
        settings,
        reference=settings.reference or f"reference cell, {reference.certificate_id}",
        reference_U_pct=100.0 * relative
        if settings.reference_U_pct is None
        else settings.reference_U_pct,
    )


def _driver(args: argparse.Namespace) -> DeviceDriver:

    # Only as many channels as are used, so that a front end with fewer serves as well.
    used = [args.channel, *([args.reference_channel] if args.reference_channel else [])]
    numbers = [int(name[2:]) for name in used if name.startswith("ch") and name[2:].isdecimal()]
    options = {"channels": max(numbers) + 1} if len(numbers) == len(used) else {}
    try:
        return open_driver(args.driver, device_id="bench cell", port=args.port, options=options)
    except DriverError as error:
        raise UsageError(str(error)) from error


@contextmanager
def _feed(args: argparse.Namespace, session: BenchSession) -> Iterator[BenchFeed | None]:
    """Counts of the port, if there is one, for as long as they are wanted."""
    if args.port is None:
        yield None
        return
    feed = BenchFeed(
        _driver(args),
        session.live,
        channel=args.channel,
        reference_channel=args.reference_channel,
    )
    try:
        yield feed
    finally:
        feed.close()


class _Prompt:
    """Questions and answers until the plan is done or the person stops."""

    def __init__(
        self, args: argparse.Namespace, session: BenchSession, feed: BenchFeed | None
    ) -> None:
        self.args, self.session, self.feed = args, session, feed
        self.temperature_C = session.settings.room_temperature_C
        self.script = None if args.script is None else _script_lines(args.script)
        self.line = 0

    def run(self) -> bool:
        """True when the results are to be worked out."""
        for caution in CAUTIONS:
            print(f"caution: {caution}")
        while True:
            step = self.session.current
            if step is None and self.script is None:
                print("every step is read: 'finish', or 'repeat STEP REASON'")
            answer = self.ask(step)
            if answer is None:
                return step is None
            word, _, rest = answer.partition(" ")
            if word in ("quit", "finish"):
                return word == "finish"
            try:
                self.act(step, word, rest.strip())
            except BenchError as error:
                if self.script is not None:
                    msg = f"{self.args.script} line {self.line}: {error}"
                    raise UsageError(msg) from error
                print(error, file=sys.stderr)

    def ask(self, step: PlanStep | None) -> str | None:
        """The next answer; None when there is none any more."""
        if step is not None:
            print(f"[{step.number}/{len(self.session.plan)}] {step.instruction}")
            self.show()
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

    def show(self) -> None:
        if self.feed is not None:
            verdict = self.session.live.stability()
            print(f"    {verdict.mean:.0f} counts, {verdict.reason}")

    def act(self, step: PlanStep | None, word: str, rest: str) -> None:
        if word == "repeat":
            number, _, reason = rest.partition(" ")
            self.session.repeat(int(number) if number.isdecimal() else 0, reason)
        elif word == "skip":
            self.session.skip(rest)
        elif word == "note":
            self.session.note("note", rest)
        elif word == "temperature":
            self.temperature_C = _number(rest, "temperature")
        elif step is None:
            msg = "every step is read: 'finish', 'repeat STEP REASON' or 'quit'"
            raise BenchError(msg)
        else:
            self.report(self.take(step, word, rest))

    def take(self, step: PlanStep, word: str, rest: str) -> TakenReading:
        if self.feed is None:
            values = [_number(v, "reading") for v in (word, *rest.split())]
            if len(values) not in (1, 2) or (len(values) == 1 and step.kind != "zero"):
                msg = "without a port, answer 'FORCE READING' (a zero step: 'READING')"
                raise BenchError(msg)
            applied = values[0] if len(values) == 2 and step.kind != "zero" else None
            return self.session.type_reading(
                values[-1], applied_kN=applied, temperature_C=self.temperature_C
            )
        applied = _number(word, "applied force") if word else None
        self.settle(step)
        self.session.start_reading(applied_kN=applied, temperature_C=self.temperature_C)
        while True:
            self.feed.wait(_FEED_PATIENCE_S)
            taken = self.session.poll()
            if taken is not None:
                return taken

    def settle(self, step: PlanStep) -> None:
        """Wait for the step's own time, then for a stable signal as long as is allowed."""
        assert self.feed is not None
        begun = time.monotonic()
        patience = max(step.settle_s, self.args.settle_seconds)
        while True:
            self.feed.wait(_FEED_PATIENCE_S)
            waited = time.monotonic() - begun
            verdict = self.session.live.stability()
            if waited >= step.settle_s and (verdict.stable or waited >= patience):
                if not verdict.stable:
                    print(f"    taken although not stable: {verdict.reason}")
                return

    def report(self, taken: TakenReading) -> None:
        by = "" if taken.repeat_of is None else f", in place of reading {taken.repeat_of}"
        print(
            f"    reading {taken.number}: {taken.applied_kN:g} kN ({taken.applied_by}),"
            f" {taken.mean:.1f} counts, sd {taken.sd:.1f}, {taken.n} samples,"
            f" {taken.stability}{by}"
        )


def _number(text: str, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        msg = f"{what} is {text!r}: a number is needed, or a command of the list in --help"
        raise BenchError(msg) from None
    if not np.isfinite(value):
        msg = f"{what} is {text!r}: a finite number is needed"
        raise BenchError(msg)
    return value


def _script_lines(path: str) -> Iterator[tuple[int, str]]:
    """(line, answer); remarks begin with #, ``take`` stands for an empty answer."""
    text = Path(path).read_text(encoding="utf-8-sig")
    for number, line in enumerate(text.splitlines(), start=1):
        answer = line.strip()
        if answer and not answer.startswith("#"):
            yield number, "" if answer == "take" else answer
