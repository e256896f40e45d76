"""``testcar wheel``: a measuring wheel's certificate from a tape, a rolled length or a mile."""

from __future__ import annotations

import argparse
import math
import re
from pathlib import Path
from typing import TYPE_CHECKING, Final

from calibration.certificates.certificate import dump_certificate, full_document
from calibration.certificates.days import local_day
from calibration.certificates.wheel import (
    WheelCertificate,
    combined_u_m,
    cone_part,
    curve_part,
    from_measured_length,
    from_rolled_length,
    from_tape,
)
from calibration.certificates.wheel import wear_part as wear
from calibration.quantities.units import UnitError, convert, factor, find_unit
from recorder.command_line.bench.certificate_files import add_verify_and_pdf, day_of, write_new
from recorder.command_line.bench.sheet_facts import common_facts
from recorder.command_line.support.errors import UsageError
from recorder.command_line.support.json_answer import print_json
from recorder.machine.version import software

if TYPE_CHECKING:
    from collections.abc import Mapping

    from calibration.certificates.wheel import WheelCertificate, WheelPart

__all__ = ["add_parser"]

_EPILOG: Final = """\
Examples:
  testcar wheel tape 113-1/8in 113-1/8in 113in --pulses 60 --id W-7
  testcar wheel rolled 14.364m 14.362m --revolutions 5 --pulses 200 --id W-8
  testcar wheel mile 33614 33620 --length 1mi --pulses 60 --id W-9
  testcar wheel verify wheel.cert.json
  testcar wheel pdf wheel.cert.json --out wheel.pdf

A length carries its unit: 2872.6mm, 9.425ft, 113.125in, 113-1/8in, 1mi, 0.4km. What is stated of a
length with --u-tape or --u-length is a standard uncertainty. To it come the coned tread, curves,
and the wear until the wheel is measured again; whoever has these in hand otherwise leaves them out
with --lateral 0mm and --wear 0mm.

With --json one object is printed: the certificate as it is written, and under "derived"
diameter_m, u_relative, revolutions_per_mile, revolutions_per_km and m_per_pulse.
"""
_CAUTION: Final = (
    "Cautions: measure a wheel only under a car that is secured against moving; stay off the"
    " track and clear of pinch points; local rules first."
)
_LENGTH: Final = re.compile(
    r"(?:(?P<number>[0-9.]+(?:[eE][-+]?\d+)?)"
    r"|(?:(?P<whole>\d+)-)?(?P<upper>\d+)/(?P<lower>\d+))\s*(?P<unit>[A-Za-z_]+)"
)
_EIGHTH_IN_M: Final = factor("in") / 8.0


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add ``wheel``, its three ways, and what is done with a certificate that stands."""
    parser = subparsers.add_parser(
        "wheel",
        description="Make a measuring wheel's certificate, from a wheel tape, a rolled-out length "
        "or a measured mile.\n\n" + _CAUTION,
        epilog=_EPILOG,
    )
    ways = parser.add_subparsers(dest="way", metavar="WAY", required=True, title="Ways")
    _add_tape(ways)
    _add_rolled(ways)
    _add_mile(ways)
    add_verify_and_pdf(ways, verb="wheel", kind="wheel")


def _way(
    ways: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    words: str,
    example: str,
) -> argparse.ArgumentParser:
    return ways.add_parser(
        name, help=words, description=f"{words}\n\n{_CAUTION}",
        epilog=f"Example:\n  testcar wheel {name} {example} \\\n      --out wheel.cert.json\n\n"
        "A length carries its unit: 2872.6mm, 113.125in, 113-1/8in, 1mi.",
    )  # fmt: skip


def _add_tape(ways: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "Make it from readings of a wheel tape around the tread."
    tape = _way(ways, "tape", words, "113-1/8in 113in --pulses 60 --id W-7")
    tape.add_argument(
        "readings", nargs="+", metavar="LENGTH", help="Each reading with its unit: 113-1/8in."
    )
    tape.add_argument(
        "--diameter", action="store_true", help="The tape shows diameters, not circumferences."
    )
    tape.add_argument(
        "--u-tape", metavar="LENGTH",
        help="The standard uncertainty of the tape and its use; by default half of 1/8 in over "
        "root 3.",
    )  # fmt: skip
    _add_common(tape)
    tape.set_defaults(run=_run_tape)


def _add_rolled(ways: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "Make it from lengths rolled out over whole revolutions."
    rolled = _way(ways, "rolled", words, "14.364m --revolutions 5 --pulses 60 --id W-8")
    rolled.add_argument(
        "lengths", nargs="+", metavar="LENGTH", help="Each length with its unit: 14.364m."
    )
    rolled.add_argument(
        "--revolutions", type=float, required=True, metavar="N",
        help="How many revolutions each length is.",
    )  # fmt: skip
    rolled.add_argument(
        "--u-length", default="2mm", metavar="LENGTH",
        help="The standard uncertainty of one whole length; by default 2mm.",
    )  # fmt: skip
    _add_common(rolled)
    rolled.set_defaults(run=_run_rolled)


def _add_mile(ways: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "Make it from pulses counted over a measured mile or kilometre."
    mile = _way(ways, "mile", words, "33614 33620 --length 1mi --pulses 60 --id W-9")
    mile.add_argument(
        "counts", nargs="+", type=float, metavar="PULSES", help="The pulses of each pass."
    )
    mile.add_argument(
        "--length", required=True, metavar="LENGTH", help="The surveyed length: 1mi or 1km."
    )
    mile.add_argument(
        "--u-length", default="0.3m", metavar="LENGTH",
        help="The standard uncertainty of that length; by default 0.3m.",
    )  # fmt: skip
    mile.add_argument(
        "--u-count", type=float, default=1.0, metavar="PULSES",
        help="The standard uncertainty of one pass; by default 1 pulse.",
    )  # fmt: skip
    mile.add_argument(
        "--reaction-s", type=float, default=0.0, metavar="S",
        help="If the ends were keyed by hand: the standard deviation of the hand. The default 0 "
        "is for a pick-up at the lineside.",
    )  # fmt: skip
    mile.add_argument(
        "--seconds", type=float, metavar="S",
        help="How long a pass took; needed with --reaction-s. Without it, the ends count as "
        "exact in time.",
    )  # fmt: skip
    _add_common(mile)
    mile.set_defaults(run=_run_mile)


def _add_common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--pulses", type=int, required=True, metavar="N",
        help="The pulses of the encoder in one revolution of the wheel.",
    )  # fmt: skip
    _add_identity(parser)
    _add_tread(parser)
    parser.add_argument(
        "--sheet", metavar="BENCH.toml",
        help="A file of stated facts, with tables [laboratory] and [standard]. Without it, none "
        "are stated.",
    )  # fmt: skip
    parser.add_argument(
        "--out", metavar="CERT",
        help="Write the certificate here. Without it, the figures are only printed.",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="Print the answer as JSON.")


def _add_tread(parser: argparse.ArgumentParser) -> None:
    """What the coned tread, curves and wear add."""
    parser.add_argument(
        "--wear", default="1mm", metavar="LENGTH",
        help="How much the diameter may wear until it is measured again; by default 1mm.",
    )  # fmt: skip
    parser.add_argument(
        "--conicity", type=float, default=0.05, metavar="X",
        help="The conicity of the tread; by default 0.05.",
    )  # fmt: skip
    parser.add_argument(
        "--lateral", default="6mm", metavar="LENGTH",
        help="How far the contact wanders across the tread (standard deviation); by default 6mm.",
    )  # fmt: skip
    parser.add_argument(
        "--curve-radius", metavar="LENGTH",
        help="The usual curve, for a wheel that turns by itself. Without it, none is counted.",
    )  # fmt: skip
    parser.add_argument(
        "--curve-share", type=float, default=1.0, metavar="X",
        help="The share of the way that lies in such curves of one hand; by default 1.",
    )  # fmt: skip


def _add_identity(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--id", required=True, help="The certificate's number.")
    parser.add_argument(
        "--wheel", default="", metavar="TEXT",
        help="The wheel in words: axle, side, number. Without it, none are stated.",
    )  # fmt: skip
    parser.add_argument(
        "--serial", default="",
        help="The wheel's serial number alone; a car sheet that names another is refused. Without "
        "it, none is stated.",
    )  # fmt: skip
    parser.add_argument(
        "--issued", metavar="YYYY-MM-DD", help="The day it was measured; by default today."
    )
    parser.add_argument(
        "--expires", metavar="YYYY-MM-DD",
        help="The last day it may be used. Without it, it does not expire.",
    )  # fmt: skip


def _run_tape(args: argparse.Namespace) -> int:

    to_girth = math.pi if args.diameter else 1.0
    readings = [to_girth * length_m(text) for text in args.readings]
    stated = _EIGHTH_IN_M / 2.0 / math.sqrt(3.0)
    u_m = to_girth * length_m(args.u_tape) if args.u_tape else stated
    girth_m, parts = from_tape(readings, u_tape_m=u_m)
    measured = {f"reading_{i}_m": x for i, x in enumerate(readings, 1)}
    return _issue(args, "tape", girth_m, parts, measured)


def _run_rolled(args: argparse.Namespace) -> int:

    lengths = [length_m(text) for text in args.lengths]
    girth_m, parts = from_rolled_length(
        lengths, args.revolutions, u_length_m=length_m(args.u_length)
    )
    measured = {f"length_{i}_m": x for i, x in enumerate(lengths, 1)}
    measured["revolutions"] = args.revolutions
    return _issue(args, "rolled length", girth_m, parts, measured)


def _run_mile(args: argparse.Namespace) -> int:

    whole_m = length_m(args.length)
    u_count = args.u_count
    if args.reaction_s:
        if not args.seconds or args.seconds <= 0.0 or args.reaction_s < 0.0:
            msg = "--reaction-s needs --seconds, too, above zero: how long a pass took"
            raise UsageError(msg)
        rate = max(args.counts) / args.seconds
        u_count = math.hypot(u_count, math.sqrt(2.0) * args.reaction_s * rate)
    girth_m, parts = from_measured_length(
        whole_m,
        args.counts,
        args.pulses,
        u_length_m=length_m(args.u_length),
        u_count=u_count,
    )
    measured = {f"pulses_{i}": x for i, x in enumerate(args.counts, 1)}
    return _issue(args, "measured length", girth_m, parts, {"length_m": whole_m, **measured})


def length_m(text: str) -> float:
    """Metres of ``2872.6mm``, ``113-1/8in``, ``1mi``.

    Raises
    ------
    UsageError
        No unit, an unknown one, or not a number.
    """
    match = _LENGTH.fullmatch(text.strip())
    if match is None:
        msg = f"a length is a number with its unit, such as 2872.6mm or 113-1/8in, got {text!r}"
        raise UsageError(msg)
    try:
        if match["number"]:
            value = float(match["number"])
        else:
            value = int(match["whole"] or 0) + int(match["upper"]) / int(match["lower"])
        unit = find_unit(match["unit"], quantity="length").name
        metres = float(convert(value, unit, "m"))
    except (ValueError, ArithmeticError, UnitError) as error:
        msg = f"length {text!r}: {error}"
        raise UsageError(msg) from error
    if not math.isfinite(metres):
        msg = f"length {text!r} is not finite"
        raise UsageError(msg)
    return metres


def _issue(
    args: argparse.Namespace,
    method: str,
    girth_m: float,
    parts: tuple[WheelPart, ...],
    measured: Mapping[str, float],
) -> int:
    """Make the certificate, write it where asked, and print what it holds."""
    every = [*parts, *_tread_parts(args, girth_m)]
    certificate = WheelCertificate(
        certificate_id=args.id,
        issued=day_of(args.issued, "--issued") or local_day(),
        expires=day_of(args.expires, "--expires"),
        wheel=args.wheel,
        circumference_m=girth_m,
        u_circumference_m=combined_u_m(every),
        pulses_per_revolution=args.pulses,
        method=method,
        parts=tuple(part for part in every if part.u_m > 0.0),
        details=measured,
        software=software(),
        stated=common_facts(args.sheet),
        serial=args.serial.strip(),
    )
    if args.out:
        write_new(Path(args.out), dump_certificate(certificate))
    derived = _derived(certificate)
    if args.json:
        answer = {**full_document(certificate), "derived": derived}
        print_json(answer)
    else:
        print(_in_words(certificate, derived))
        if args.out:
            print(f"written to {args.out}")
    return 0


def _tread_parts(args: argparse.Namespace, girth_m: float) -> list[WheelPart]:
    """What the coned tread and its wear add, however the wheel was measured."""
    parts = [cone_part(girth_m, conicity=args.conicity, lateral_m=length_m(args.lateral))]
    if args.curve_radius:
        radius_m = length_m(args.curve_radius)
        parts.append(curve_part(girth_m, radius_m, share=args.curve_share))
    parts.append(wear(girth_m, length_m(args.wear)))
    return parts


def _derived(certificate: WheelCertificate) -> dict[str, float]:
    girth_m = certificate.circumference_m
    return {
        "diameter_m": girth_m / math.pi,
        "u_relative": certificate.u_circumference_m / girth_m,
        "revolutions_per_mile": factor("mi") / girth_m,
        "revolutions_per_km": 1000.0 / girth_m,
        "m_per_pulse": certificate.m_per_pulse,
    }


def _in_words(certificate: WheelCertificate, derived: Mapping[str, float]) -> str:
    girth_m, u_m = certificate.circumference_m, certificate.u_circumference_m
    lines = [
        f"certificate    {certificate.certificate_id}, {certificate.method}",
        f"circumference  {1000 * girth_m:.2f} mm ± {2000 * u_m:.2f} mm (95 %, k = 2)",
        f"diameter       {1000 * derived['diameter_m']:.2f} mm",
        f"revolutions    {derived['revolutions_per_mile']:.3f} a mile,"
        f" {derived['revolutions_per_km']:.3f} a km",
        f"one pulse      {1000 * derived['m_per_pulse']:.4f} mm"
        f" ({certificate.pulses_per_revolution} a revolution)",
        f"distance       ± {200 * derived['u_relative']:.3f} % (95 %)",
        "budget, standard uncertainty of the circumference:",
    ]
    width = max((len(part.cause) for part in certificate.parts), default=0)
    lines.extend(
        f"  {part.cause:<{width}}  {1000 * part.u_m:7.3f} mm  {part.note}".rstrip()
        for part in certificate.parts
    )
    return "\n".join(lines)
