"""``testcar bench``: from applied forces to a certificate, and back again."""

from __future__ import annotations

import argparse
from typing import Final

from recorder.command_line.bench.bench_options import (
    add_begun,
    add_facts,
    given_facts,
    settings_of,
)
from recorder.command_line.bench.bench_session import run_session
from recorder.command_line.bench.bench_signing import add_key, add_sign
from recorder.command_line.bench.bench_work import fit_file
from recorder.command_line.bench.certificate_files import add_verify_and_pdf

__all__ = ["add_parser"]

_FIT_EPILOG: Final = """\
Example:
  testcar bench fit readings.csv --reference-U-pct 0.02 \\
      --cell "coupler cell 12" --out cell.json

READINGS.csv has the columns series, position_deg, direction (up or down), applied_UNIT, reading,
temperature_C and time_s. Only applied_UNIT (applied_kN, applied_N, applied_lbf, applied_tf and so
on) and reading have to be there. Tension is positive, compression negative. A step taken again says
why in the column repeat_reason; a force held to see creep says creep in the column kind, with
readings at 30 s and 300 s. A force that stands twice in one series with neither is refused.

Rows that do not fit the others are told first, with force, reading, expected reading and residual.
No certificate is written over them unless --accept-rows and --accept-reason say why they stand.

With --json, one object is printed:

  doubts               rows in doubt: kind, rows, text, expected, residual
  coefficients, standard_errors, residual_sd, degrees_of_freedom
                       reading = sum of coefficients[i] * applied**i, in the
                       file's own units; the same under own_units, and under
                       si with force in kN
  deflection_from_force, force_from_deflection
                       both directions, zero taken off; own_units and si
  working_curve        force in kN from deflection, through zero, midway
                       between rising and falling
  degree_choice, lack_of_fit, inverse_check
                       why the curve has its degree, and how well it fits
  figures              name: value or null, unit, reason, formula, source
  budget               components, combined and expanded uncertainty over
                       force, in kN; refused says why there is none
  by_sense             the same for tension and compression apart
"""

_RUN_EPILOG: Final = """\
Example:
  testcar bench run cell.bench --port /dev/ttyUSB0 --capacity-kN 500 \\
      --out cell.json

At the prompt, type one of these:

  Enter              the force is reached: the reading is taken, after the
                     plan's wait, at the nominal force (or the reference
                     cell's)
  187.9 lbf          the force applied; without a unit, in --force-unit
  FORCE READING      without a port: the force, and what the indicator shows
  repeat STEP REASON a step is read again
  skip REASON        this step is left out
  temperature 21.5   the temperature at the cell from now on ('70 F' does, too)
  note TEXT          a remark
  accept REASON      a reading that was held back is taken as it is
  hurry REASON       the next reading is taken without its wait
  finish, quit       work out the certificate; stop for now

The same command goes on later where it stopped; options that differ are refused.
"""

_CAUTION: Final = (
    "Cautions: a press or a lifted load can crush. Follow the press's instructions and local"
    " rules, keep clear of a loaded cell, and never exceed the weakest part."
)


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add ``bench`` and its own verbs."""
    parser = subparsers.add_parser(
        "bench",
        description="Calibrate a load cell: from applied forces and readings to a signed "
        "certificate.\n\n" + _CAUTION,
        epilog="Example:\n  testcar bench fit readings.csv --out cell.json\n\n"
        "testcar bench VERB --help tells more about each, with an example.",
    )
    verbs = parser.add_subparsers(
        dest="bench_verb", metavar="VERB", required=True, title="Verbs"
    )
    _add_fit(verbs)
    _add_run(verbs)
    add_verify_and_pdf(verbs, verb="bench", kind="force")
    add_key(verbs)
    add_sign(verbs)


def _add_fit(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    fit = verbs.add_parser(
        "fit",
        usage="%(prog)s READINGS.csv [options]",
        help="Fit readings from a file, and work out every figure.",
        description="Fit bench readings from a CSV file: the curve, its figures, its "
        "uncertainty and, with --out, the certificate.",
        epilog=_FIT_EPILOG,
    )
    fit.add_argument("readings", metavar="READINGS.csv", help="The table of readings.")
    fit.add_argument("--json", action="store_true", help="Print the results as JSON.")
    _add_written(fit)
    add_facts(fit)
    fit.set_defaults(run=_run_fit)


def _add_run(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    run = verbs.add_parser(
        "run",
        usage="%(prog)s SESSION [options]",
        help="Hold a guided session on live counts; it goes on where it stopped.",
        description="Hold a guided session at the bench: each step of the plan is told, waited "
        "for and read.\n\n" + _CAUTION,
        epilog=_RUN_EPILOG,
    )
    run.add_argument(
        "session", metavar="SESSION", help="The file of the session; a new one is begun in it."
    )
    _add_counts(run)
    _add_hand(run)
    add_begun(run.add_argument_group("The session, stated when it is begun"))
    run.add_argument(
        "--csv", metavar="CSV",
        help="Write the readings as a table here. Without it, they are in the session alone.",
    )  # fmt: skip
    _add_written(run)
    add_facts(run)
    run.set_defaults(run=_run_run)


def _add_written(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--out", metavar="CERT",
        help="Write the certificate here. Without it, the figures are only printed.",
    )  # fmt: skip
    parser.add_argument(
        "--pdf", metavar="PDF",
        help="Write the certificate on paper, to be signed, here. Without it, there is no paper.",
    )  # fmt: skip


def _add_counts(run: argparse.ArgumentParser) -> None:
    """Where the counts come from."""
    run.add_argument(
        "--port", metavar="PORT",
        help="The port of the load-cell front end. Without it, readings are typed.",
    )  # fmt: skip
    run.add_argument(
        "--driver", default="load-cell-frames", metavar="NAME",
        help="The driver of the front end; by default load-cell-frames.",
    )  # fmt: skip
    run.add_argument(
        "--option", action="append", metavar="KEY=VALUE",
        help="A setting of the driver as on a car sheet, such as baud_bd=9600; may be given "
        "again. By default the driver's own stand.",
    )  # fmt: skip
    run.add_argument(
        "--silence-limit-s", type=float, default=120.0, metavar="S",
        help="The longest pause of the counts that is waited for; by default 120 seconds.",
    )  # fmt: skip
    run.add_argument("--channel", metavar="CH", help="The channel of the cell; by default ch0.")
    run.add_argument(
        "--reference-channel", metavar="CH",
        help="The channel of a reference cell. Without it, there is none.",
    )  # fmt: skip
    run.add_argument(
        "--reference-cell", metavar="CERT",
        help="The certificate of the reference cell. Without it, there is none.",
    )  # fmt: skip


def _add_hand(run: argparse.ArgumentParser) -> None:
    """How the session is held."""
    run.add_argument(
        "--page", action="store_true", help="Hold the session in a window, not at the prompt."
    )
    run.add_argument(
        "--png", metavar="OUT.png",
        help="With --page: leave a picture of it here. Without it, none is left.",
    )  # fmt: skip
    run.add_argument(
        "--page-seconds", type=float, metavar="S",
        help="Close the page after S seconds. Without it, the page stays open.",
    )  # fmt: skip
    run.add_argument(
        "--script", metavar="FILE",
        help="Read the answers at the prompt from a file. Without it, you are asked.",
    )  # fmt: skip
    run.add_argument(
        "--settle-seconds", type=float, default=60.0, metavar="S",
        help="The longest wait for steady counts before a reading; by default 60 seconds.",
    )  # fmt: skip


def _run_fit(args: argparse.Namespace) -> int:
    return fit_file(args, settings_of(given_facts(args)))


def _run_run(args: argparse.Namespace) -> int:
    stated = given_facts(args)
    return run_session(args, settings_of(stated), stated)
