"""``testcar bench run``: the guided session at a terminal, on a page, or from a script."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from calibration.evaluation.evaluation import evaluate
from calibration.files.durable import write_whole
from calibration.readings.bench_settings import BenchSettings
from drivers.interface.errors import DriverError
from drivers.interface.registry import open_driver
from recorder.acquisition.bench.bench_feed import BenchFeed
from recorder.command_line.bench.bench_opening import DEFAULTS, open_session
from recorder.command_line.bench.bench_prompt import Prompt
from recorder.command_line.bench.bench_work import print_results, write_results
from recorder.command_line.support.errors import UsageError
from recorder.window.qt.frame.preflight import check_screen

if TYPE_CHECKING:
    from calibration.bench.session import BenchSession
    from drivers.interface.driver_interface import DeviceDriver

__all__ = ["line_options", "run_session"]

_LONGEST_SILENCE_S: Final = 86_400.0


def run_session(
    args: argparse.Namespace, settings: BenchSettings, stated: Mapping[str, Any]
) -> int:
    """``bench run``; ``stated`` are the facts given now, as ``settings`` but without defaults."""
    with open_session(args, settings, stated) as session:
        finished = _on_page(args, session) if args.page else _at_prompt(args, session)
        if args.csv and session.taken:
            write_whole(Path(args.csv), session.to_csv().encode())
            print(f"readings: {args.csv}")
        if not finished:
            print(f"{session.done} of {len(session.plan)} steps done; run it again to go on")
            return 0
        evaluation = evaluate(session.readings(), _with_accepted(session.stated(), settings))
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
        return Prompt(args, session, feed).run()


def _on_page(args: argparse.Namespace, session: BenchSession) -> bool:
    """The same session in a window; True when the person asked for the certificate."""
    # Only the page needs Qt: a session at the terminal runs without.
    from recorder.window.qt.bench.bench_page import run_bench_page

    if args.script is not None:
        msg = "--page and --script exclude each other: a page is worked by hand"
        raise UsageError(msg)
    check_screen()
    with _feed(args, session) as feed:
        return run_bench_page(
            session,
            feed=feed,
            png=args.png,
            seconds=args.page_seconds,
            patience_s=args.settle_seconds,
        )


@contextmanager
def _feed(args: argparse.Namespace, session: BenchSession) -> Iterator[BenchFeed | None]:
    """Counts of the port, if there is one, for as long as they are wanted."""
    if args.port is None:
        yield None
        return
    if not 0.0 < args.silence_limit_s <= _LONGEST_SILENCE_S:
        msg = (
            f"--silence-limit-s must be above 0 and at most {_LONGEST_SILENCE_S:g}, got"
            f" {args.silence_limit_s}"
        )
        raise UsageError(msg)
    facts = session.facts
    channel = facts.channel or args.channel or DEFAULTS["channel"]
    reference_channel = facts.reference_channel or args.reference_channel
    if session.reference is not None and not reference_channel:
        msg = "the session has a reference cell: give its channel with --reference-channel"
        raise UsageError(msg)
    options = {**_channel_count(channel, reference_channel), **line_options(args.option)}

    def reopen(after: DeviceDriver | None = None) -> DeviceDriver:
        return open_driver(
            args.driver, device_id="bench cell", port=args.port, options=options, after=after
        )

    try:
        driver = reopen()
    except DriverError as error:
        raise UsageError(str(error)) from error
    feed = BenchFeed(
        driver,
        session.live,
        channel=channel,
        reference_channel=reference_channel or None,
        reopen=reopen,
        limit_s=args.silence_limit_s,
    )
    try:
        yield feed
    finally:
        feed.close()


def _channel_count(*names: str | None) -> dict[str, object]:
    """As many channels as are used, so that a front end with fewer serves as well."""
    used = [name for name in names if name]
    numbers = [int(name[2:]) for name in used if name.startswith("ch") and name[2:].isdecimal()]
    return {"channels": max(numbers) + 1} if len(numbers) == len(used) else {}


def line_options(given: list[str] | None) -> dict[str, object]:
    """``KEY=VALUE`` as the driver takes it; raises ``UsageError``."""
    found: dict[str, object] = {}
    for text in given or ():
        key, equals, value = text.partition("=")
        if not equals or not key.strip() or not value.strip():
            msg = f"--option is {text!r}: KEY=VALUE is needed, as baud_bd=9600"
            raise UsageError(msg)
        found[key.strip()] = _option_value(value.strip())
    return found


def _option_value(text: str) -> object:
    if text.lower() in ("true", "false"):
        return text.lower() == "true"
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text
