"""``testcar bench``: from applied forces to a certificate, and back again."""

from __future__ import annotations

import argparse
import re
from dataclasses import fields
from typing import Any, Final

from calibration.certificates.certificate import load_certificate
from calibration.readings.bench_settings import BenchSettings
from recorder.command_line.bench.bench_session import run_session
from recorder.command_line.bench.bench_signing import add_key, add_sign, add_signed
from recorder.command_line.bench.bench_work import fit_file, pdf_file, verify_file
from recorder.command_line.bench.sheet_facts import read_sheet
from recorder.command_line.support.errors import UsageError

__all__ = ["add_parser"]

_FIT_EPILOG = """\
READINGS.csv has the columns series, position_deg, direction (up|down), applied_<unit>, reading,
temperature_C, time_s. Only applied_<unit> (applied_kN, applied_N, applied_lbf, applied_tf, ...)
and reading are obligatory. Tension is positive, compression negative. A step taken again says why
in the column repeat_reason; a hold to see creep says creep in the column kind, its readings at 30 s
and 300 s. A force twice in one series with neither is refused, also in tables of old.

Rows that do not fit the others are told first, with force, reading, expected reading and residual;
no certificate is written over them unless --accept-rows and --accept-reason say why they stand.

--json prints one object:
  doubts                 kind, rows, text, expected, residual, residual_pct
  coefficients, standard_errors, residual_sd, degrees_of_freedom
                         reading = sum of coefficients[i] * applied**i, in the file's own units;
                         the same under own_units, and under si with force in kN
  deflection_from_force, force_from_deflection
                         both directions, zero taken off; own_units and si in each
  working_curve          force in kN from deflection, through zero, midway between rising
                         and falling
  degree_choice, lack_of_fit, inverse_check
  figures                name: value or null, unit, reason, formula, source, detail
  budget                 components, combined and expanded uncertainty over force, in kN;
                         refused says why there is none
  by_sense               the same for tension and compression apart

example:
  testcar bench fit readings.csv --reference-U-pct 0.02 --cell "coupler cell 12" --out cell.json
"""

_RUN_EPILOG = """\
At the prompt: Enter says that the force is reached and takes the reading, after the plan's wait,
at the nominal force (or the reference cell's); a number is the applied force, with its unit
('187.9 lbf') or in --force-unit; without a port, 'FORCE READING'. Further: 'repeat STEP REASON',
'skip REASON', 'temperature 21.5' ('70 F'), 'note TEXT'; 'accept REASON' takes a reading that is
held back for what stands against it; 'hurry REASON' takes the next one without its wait; 'quit'
stops. The same command goes on later where it stopped; options that differ are refused.

example:
  testcar bench run cell.bench --port /dev/ttyUSB0 --capacity-kN 500 --out cell.json
"""

_CAUTION = (
    "Cautions: a press or a lifted load can crush; follow the press's instructions and local"
    " rules, keep clear of a loaded cell, never exceed the weakest part."
)


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add ``bench`` and its own verbs."""
    parser = subparsers.add_parser(
        "bench",
        description="Calibrate a force cell. " + _CAUTION,
        epilog="example: testcar bench fit readings.csv --out cell.json",
    )
    verbs = parser.add_subparsers(dest="bench_verb", metavar="VERB", required=True)
    _add_fit(verbs)
    _add_run(verbs)
    _add_verify(verbs)
    _add_pdf(verbs)
    add_key(verbs)
    add_sign(verbs)


def _raw(**words: str) -> dict[str, Any]:
    return {"formatter_class": argparse.RawDescriptionHelpFormatter, **words}


def _add_fit(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    fit = verbs.add_parser(
        "fit",
        help="fit readings from a file and work out every figure",
        **_raw(description="Fit bench readings from a CSV file.", epilog=_FIT_EPILOG),
    )
    fit.add_argument("readings", metavar="READINGS.csv")
    fit.add_argument("--json", action="store_true", help="print the results as JSON")
    fit.add_argument("--out", metavar="CERT", help="write the certificate here")
    fit.add_argument("--pdf", metavar="PDF", help="write the certificate to be signed here")
    _add_settings(fit)
    fit.set_defaults(run=_run_fit)


def _add_run(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    run = verbs.add_parser(
        "run",
        help="a guided session on live counts; goes on where it stopped",
        **_raw(
            description="A guided bench session. " + _CAUTION,
            epilog=_RUN_EPILOG,
        ),
    )
    run.add_argument("session", metavar="SESSION", help="file of the session (made when new)")
    run.add_argument("--port", help="port of the load-cell front end")
    run.add_argument("--driver", default="load-cell-frames")
    run.add_argument("--option", action="append", metavar="KEY=VALUE",
                     help="setting of the driver, as on a car sheet (baud_bd=9600)")  # fmt: skip
    run.add_argument("--silence-limit-s", type=float, default=120.0, metavar="S",
                     help="longest pause of the counts that is waited for (120)")  # fmt: skip
    run.add_argument("--channel", help="channel of the cell (default ch0)")
    run.add_argument("--reference-channel", metavar="CH", help="channel of a reference cell")
    run.add_argument(
        "--reference-cell", metavar="CERT", help="certificate of the reference cell"
    )
    run.add_argument("--page", action="store_true", help="in a window instead of the prompt")
    run.add_argument("--png", metavar="OUT.png", help="with --page: leave a picture of it")
    run.add_argument("--page-seconds", type=float, metavar="S", help="close the page after S")
    run.add_argument("--script", metavar="FILE", help="read the prompt's answers from a file")
    run.add_argument("--settle-seconds", type=float, default=60.0, metavar="S",
                     help="longest wait for a stable signal before a reading (60)")  # fmt: skip
    _add_begun(run.add_argument_group("the session, stated when it is begun"))
    run.add_argument("--csv", metavar="CSV", help="write the readings as a table")
    run.add_argument("--out", metavar="CERT", help="write the certificate when complete")
    run.add_argument("--pdf", metavar="PDF", help="write the certificate to be signed here")
    _add_settings(run)
    run.set_defaults(run=_run_run)


def _add_begun(group: argparse._ArgumentGroup) -> None:
    """Options that a session keeps; the values when not given are the session's."""
    group.add_argument("--seconds", type=float, help="each reading's length (10)")
    group.add_argument("--window-s", type=float, help="stability window (5)")
    group.add_argument("--drift-counts", type=float, help="limit over the window (200)")
    group.add_argument("--noise-counts", type=float, help="limit of the noise (500)")
    group.add_argument("--steps", type=int, help="forces in a series (10)")
    group.add_argument("--positions", type=float, nargs="+", metavar="DEG",
                       help="of the cell in the press (0 120 240)")  # fmt: skip
    group.add_argument("--senses", nargs="+", choices=("tension", "compression"),
                       help="(tension)")  # fmt: skip
    group.add_argument("--preloads", type=int, help="before the first series (3)")
    group.add_argument("--rising-only", action="store_true", default=None,
                       help="no falling series")  # fmt: skip
    group.add_argument("--creep", action="store_true", default=None,
                       help="end with a creep test")  # fmt: skip
    group.add_argument("--force-unit", metavar="UNIT", help="of forces typed bare (kN)")


def _add_verify(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    verify = verbs.add_parser(
        "verify",
        help="work a certificate out again from its own readings",
        description="Work a certificate out again from its own readings. Exit 1: it disagrees.",
        epilog="example: testcar bench verify cell.json",
    )
    verify.add_argument("certificate", metavar="CERT")
    add_signed(verify)
    verify.add_argument("--json", action="store_true", help="print the answer as JSON")
    verify.set_defaults(run=_run_verify)


def _add_pdf(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    pdf = verbs.add_parser(
        "pdf",
        help="lay a certificate out for signing",
        description="Lay a certificate out as a PDF for signing.",
        epilog="example: testcar bench pdf cell.json --out cell.pdf",
    )
    pdf.add_argument("certificate", metavar="CERT")
    pdf.add_argument("--out", metavar="PDF", required=True)
    pdf.set_defaults(run=_run_pdf)


_RANGE: Final = re.compile(r"\s*([0-9]{1,6})\s*(?:-\s*([0-9]{1,6})\s*)?")
"""``17`` or ``17-19``; no table of readings has a million rows."""
_NUMBERS = (
    ("capacity-kN", "rated capacity (default: the largest force applied)"),
    ("reference-U-pct", "expanded uncertainty of the applied force, percent"),
    ("reference-k", "its coverage factor (2)"),
    ("reference-temperature-coefficient-pct-per-K", "of the reference standard"),
    ("reference-temperature-C", "at which the reference was calibrated"),
    ("room-temperature-C", "during the calibration"),
    ("zero-within-K", "largest change of temperature between a field zero and a reading (10)"),
    ("stability-pct", "largest change expected between calibrations, percent of reading"),
    ("resolution", "smallest step of the indication, in units of reading"),
    ("shunt-deflection", "reading with the shunt resistor less reading without"),
    ("shunt-limit-pct", "largest difference of the shunt check (0.25)"),
    ("zero-limit-pct", "largest zero shift in the field, percent of full scale (1)"),
    ("transmitter-Pa-per-reading", "capsule: pressure for one unit of reading"),
    ("nominal-area-m2", "capsule: effective area by the drawing, to hold against"),
    ("transducer-m-per-reading", "draft spring: displacement for one unit of reading"),
)
_TEXTS = (
    ("cell", "the cell in words"),
    ("certificate-id", "identity of the certificate"),
    ("operator", "who calibrated"),
    ("place", "where"),
    ("reference", "reference standard and its own certificate number"),
    ("shunt-resistor", "the shunt resistor in words"),
    ("remarks", "anything else a reader should know"),
)


def _add_settings(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--degree", type=int, help="1 to 5 (default: by the standard's rule)")
    group = parser.add_argument_group("stated facts, for budget and certificate")
    group.add_argument(
        "--sheet",
        metavar="BENCH.toml",
        help="a file of these facts, with tables [standard], [data_sheet] and [laboratory] for"
        " what has no option; an option beats the file",
    )
    for name, text in _TEXTS:
        group.add_argument(f"--{name}", dest=name.replace("-", "_"), help=text)
    for name, text in _NUMBERS:
        dest = name.replace("-", "_")
        group.add_argument(f"--{name}", dest=dest, type=float, metavar="X", help=text)
    group.add_argument("--service-temperature-C", dest="service_temperature_C", type=float,
                       nargs=2, metavar=("LOW", "HIGH"), help="on the road")  # fmt: skip
    group.add_argument("--valid-months", dest="valid_months", type=int, help="expiry (12)")
    group.add_argument("--issued", metavar="YYYY-MM-DD", help="day of issue (default: today)")
    group.add_argument("--element", help="strain-gauged cell (default), strain-gauged coupler,"
                       " capsule or 'draft spring'")  # fmt: skip
    group.add_argument("--accept-rows", dest="accepted_rows", metavar="12,17-19",
                       help="rows in doubt that stand all the same")  # fmt: skip
    group.add_argument("--accept-reason", dest="accepted_reason", metavar="WHY",
                       help="why they stand; the certificate says so")  # fmt: skip
    group.add_argument(
        "--supersedes", metavar="CERT", help="certificate this takes the place of"
    )


def _rows(text: str) -> list[int]:
    """``12,17-19``; raises ``UsageError`` for anything else."""
    found: list[int] = []
    for part in text.split(","):
        match = _RANGE.fullmatch(part)
        ends = () if match is None else (int(match[1]), int(match[2] or match[1]))
        if not ends or ends[1] < ends[0]:
            msg = (
                f"--accept-rows is {text[:60]!r}; allowed: numbers of rows and ranges with commas"
                " between, as 12,17-19"
            )
            raise UsageError(msg)
        found += range(ends[0], ends[1] + 1)
    return found


def _given_facts(args: argparse.Namespace) -> dict[str, Any]:
    """The facts given on a command line and its sheet; an option beats the sheet."""
    given = read_sheet(args.sheet)
    for item in fields(BenchSettings):
        value = getattr(args, item.name, None)
        if value is not None:
            given[item.name] = _rows(value) if item.name == "accepted_rows" else value
    if args.supersedes:
        given["supersedes"] = load_certificate(args.supersedes).digest
    return given


def _settings(given: dict[str, Any]) -> BenchSettings:
    try:
        return BenchSettings.from_document(given)
    except TypeError as error:
        msg = str(error)
        raise UsageError(msg) from error


def _run_fit(args: argparse.Namespace) -> int:
    return fit_file(args, _settings(_given_facts(args)))


def _run_run(args: argparse.Namespace) -> int:
    stated = _given_facts(args)
    return run_session(args, _settings(stated), stated)


def _run_verify(args: argparse.Namespace) -> int:
    return verify_file(args)


def _run_pdf(args: argparse.Namespace) -> int:
    return pdf_file(args)
