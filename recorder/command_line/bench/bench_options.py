"""Options of ``testcar bench fit`` and ``bench run``: the facts stated for a certificate."""

from __future__ import annotations

import argparse
import re
from dataclasses import fields
from typing import Any, Final

from calibration.certificates.certificate import load_certificate
from calibration.readings.bench_settings import BenchSettings
from recorder.command_line.bench.sheet_facts import read_sheet
from recorder.command_line.support.errors import UsageError

__all__ = ["add_begun", "add_facts", "given_facts", "settings_of"]

_RANGE: Final = re.compile(r"\s*([0-9]{1,6})\s*(?:-\s*([0-9]{1,6})\s*)?")
"""``17`` or ``17-19``; no table of readings has a million rows."""
_NUMBERS: Final = (
    ("capacity-kN", "The rated capacity, in kN; by default the largest force applied."),
    (
        "reference-U-pct",
        "The expanded uncertainty of the applied force, in per cent. Without it, there is no U "
        "and no certificate.",
    ),
    ("reference-k", "The coverage factor of that uncertainty; by default 2."),
    (
        "reference-temperature-coefficient-pct-per-K",
        "The temperature coefficient of the reference standard.",
    ),
    (
        "reference-temperature-C",
        "The temperature at which the reference was calibrated.",
    ),
    ("room-temperature-C", "The temperature of the room."),
    (
        "zero-within-K",
        "The largest change of temperature between a zero on the road and a reading; by default "
        "10 K.",
    ),
    (
        "stability-pct",
        "The largest change expected between two calibrations, in per cent of the reading. "
        "Without it, a bound stands for it.",
    ),
    (
        "resolution",
        "The smallest step of the indication, in units of reading.",
    ),
    (
        "shunt-deflection",
        "The reading with the shunt resistor less the reading without. Without it, the shunt "
        "check has no limits.",
    ),
    (
        "shunt-limit-pct",
        "The largest difference that a shunt check may show; by default 0.25 per cent.",
    ),
    (
        "zero-limit-pct",
        "The largest shift of the zero on the road; by default 1 per cent of full scale.",
    ),
    (
        "transmitter-Pa-per-reading",
        "For a capsule: the pressure for one unit of reading.",
    ),
    (
        "nominal-area-m2",
        "For a capsule: the effective area by the drawing, to compare with.",
    ),
    (
        "transducer-m-per-reading",
        "For a draft spring: the displacement for one unit of reading.",
    ),
)
_TEXTS: Final = (
    ("cell", "The load cell in words."),
    ("certificate-id", "The certificate's number."),
    ("operator", "Who calibrated."),
    ("place", "Where it was calibrated."),
    ("reference", "The reference standard and the number of its own certificate."),
    ("shunt-resistor", "The shunt resistor in words."),
    ("remarks", "Anything else that a reader should know."),
)


def add_facts(parser: argparse.ArgumentParser) -> None:
    """What is stated for budget and certificate."""
    parser.add_argument(
        "--degree", type=int, metavar="N",
        help="The degree of the curve, 1 to 5; by default chosen by the standard's rule.",
    )  # fmt: skip
    group = parser.add_argument_group(
        "Stated facts, for the budget and the certificate",
        "A fact that is not given is not stated, unless its option names a default.",
    )
    group.add_argument(
        "--sheet", metavar="BENCH.toml",
        help="A file of these facts; its tables [standard], [data_sheet] and [laboratory] hold "
        "what has no option. An option goes before the file.",
    )  # fmt: skip
    for name, text in _TEXTS:
        dest = name.replace("-", "_")
        group.add_argument(f"--{name}", dest=dest, metavar="TEXT", help=text)
    for name, text in _NUMBERS:
        dest = name.replace("-", "_")
        group.add_argument(f"--{name}", dest=dest, type=float, metavar="X", help=text)
    group.add_argument(
        "--service-temperature-C", dest="service_temperature_C", type=float, nargs=2,
        metavar=("LOW", "HIGH"), help="The temperatures on the road.",
    )  # fmt: skip
    _add_validity(group)


def _add_validity(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--valid-months", dest="valid_months", type=int, metavar="N",
        help="For how many months it is valid; by default 12.",
    )  # fmt: skip
    group.add_argument(
        "--issued", metavar="YYYY-MM-DD", help="The day of issue; by default today."
    )
    group.add_argument(
        "--element", metavar="KIND",
        help="What is calibrated: strain-gauged cell (default), strain-gauged coupler, capsule "
        "or 'draft spring'.",
    )  # fmt: skip
    group.add_argument(
        "--accept-rows", dest="accepted_rows", metavar="12,17-19",
        help="Rows in doubt that stand all the same. By default none does.",
    )  # fmt: skip
    group.add_argument(
        "--accept-reason", dest="accepted_reason", metavar="WHY",
        help="Why those rows stand; the certificate says so. Without it, they do not stand.",
    )  # fmt: skip
    group.add_argument(
        "--supersedes", metavar="CERT",
        help="The certificate that this one takes the place of. By default the one at --out, if "
        "there is one.",
    )  # fmt: skip


def add_begun(group: argparse._ArgumentGroup) -> None:
    """Options that a session keeps; the values when not given are the session's."""
    group.add_argument(
        "--seconds", type=float, metavar="S",
        help="How long each reading takes; by default 10 seconds.",
    )  # fmt: skip
    group.add_argument(
        "--window-s", type=float, metavar="S",
        help="The window in which the counts have to stand still; by default 5 seconds.",
    )  # fmt: skip
    group.add_argument(
        "--drift-counts", type=float, metavar="N",
        help="How far the counts may drift over the window; by default 200.",
    )  # fmt: skip
    group.add_argument(
        "--noise-counts", type=float, metavar="N",
        help="How much the counts may scatter in the window; by default 500.",
    )  # fmt: skip
    _add_plan(group)


def _add_plan(group: argparse._ArgumentGroup) -> None:
    group.add_argument(
        "--steps", type=int, metavar="N", help="How many forces a series has; by default 10."
    )
    group.add_argument(
        "--positions", type=float, nargs="+", metavar="DEG",
        help="The positions of the cell in the press, in degrees; by default 0 120 240.",
    )  # fmt: skip
    group.add_argument(
        "--senses", nargs="+", choices=("tension", "compression"), metavar="SENSE",
        help="One or both of tension and compression; by default tension.",
    )  # fmt: skip
    group.add_argument(
        "--preloads", type=int, metavar="N",
        help="How many preloads come before the first series; by default 3.",
    )  # fmt: skip
    group.add_argument(
        "--rising-only", action="store_true", default=None, help="Take no falling series."
    )
    group.add_argument(
        "--creep", action="store_true", default=None, help="End with a creep test."
    )
    group.add_argument(
        "--force-unit", metavar="UNIT",
        help="The unit of forces typed without one; by default kN.",
    )  # fmt: skip


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


def given_facts(args: argparse.Namespace) -> dict[str, Any]:
    """The facts given on a command line and its sheet; an option beats the sheet."""
    given = read_sheet(args.sheet)
    for item in fields(BenchSettings):
        value = getattr(args, item.name, None)
        if value is not None:
            given[item.name] = _rows(value) if item.name == "accepted_rows" else value
    if args.supersedes:
        given["supersedes"] = load_certificate(args.supersedes).digest
    return given


def settings_of(given: dict[str, Any]) -> BenchSettings:
    """The settings that these facts are; raises ``UsageError`` for what cannot be."""
    try:
        return BenchSettings.from_document(given)
    except TypeError as error:
        msg = str(error)
        raise UsageError(msg) from error
