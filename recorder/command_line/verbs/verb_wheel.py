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
Lengths carry their unit: 2872.6mm, 9.425ft, 113.125in, 113-1/8in, 1mi, 0.4km. What is stated of
them with --u-... is a standard uncertainty. On top come the cone, curves and wear until the
wheel is measured again: give --wear 0mm, --lateral 0mm when they are none of your business.

--json prints one object: the certificate as it is written, and under "derived" diameter_m,
u_relative, revolutions_per_mile, revolutions_per_km, m_per_pulse.

examples:
  testcar wheel tape 113-1/8in 113-1/8in 113in --pulses 60 --id W-7 --out wheel.cert.json
  testcar wheel rolled 14.364m 14.362m --revolutions 5 --pulses 200 --id W-8
  testcar wheel mile 33614 33620 --length 1mi --u-length 0.3m --pulses 60 --id W-9
  testcar wheel verify wheel.cert.json
  testcar wheel pdf wheel.cert.json --out wheel.pdf
"""
_CAUTION: Final = (
    "Cautions: measure a wheel only under a car that is secured against moving;\n"
    "stay off the track and clear of pinch points; local rules first."
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
        formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Certify a measuring wheel.\n\n" + _CAUTION,
        epilog=_EPILOG,
    )
    ways = parser.add_subparsers(dest="way", metavar="WAY", required=True)
    _add_tape(ways)
    _add_rolled(ways)
    _add_mile(ways)
    add_verify_and_pdf(ways, kind="wheel")


def _add_tape(ways: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    tape = ways.add_parser("tape", help="readings of a wheel tape around the tread")
    tape.add_argument("readings", nargs="+", metavar="LENGTH", help="with unit: 113-1/8in")
    tape.add_argument("--diameter", action="store_true", help="the tape shows diameters")
    tape.add_argument(
        "--u-tape",
        metavar="LENGTH",
        help="of the tape and its use (half of 1/8 in over root 3)",
    )
    _add_common(tape)
    tape.set_defaults(run=_run_tape)


def _add_rolled(ways: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    rolled = ways.add_parser("rolled", help="lengths rolled out over whole revolutions")
    rolled.add_argument("lengths", nargs="+", metavar="LENGTH", help="with unit: 14.364m")
    rolled.add_argument("--revolutions", type=float, required=True, metavar="N")
    rolled.add_argument(
        "--u-length", default="2mm", metavar="LENGTH", help="of one whole length (2mm)"
    )
    _add_common(rolled)
    rolled.set_defaults(run=_run_rolled)


def _add_mile(ways: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    mile = ways.add_parser("mile", help="pulses counted over a measured mile or kilometre")
    mile.add_argument("counts", nargs="+", type=float, metavar="PULSES", help="of each pass")
    mile.add_argument("--length", required=True, metavar="LENGTH", help="surveyed: 1mi, 1km")
    mile.add_argument("--u-length", default="0.3m", metavar="LENGTH", help="of it (0.3m)")
    mile.add_argument(
        "--u-count", type=float, default=1.0, metavar="PULSES", help="of one pass (1)"
    )
    mile.add_argument(
        "--reaction-s",
        type=float,
        default=0.0,
        metavar="S",
        help="ends keyed by hand: standard deviation of the hand (0: by a lineside pick-up)",
    )
    mile.add_argument(
        "--seconds", type=float, metavar="S", help="of a pass; needed with --reaction-s"
    )
    _add_common(mile)
    mile.set_defaults(run=_run_mile)


def _add_common(parser: argparse.ArgumentParser) -> None:
    parser.epilog = "See testcar wheel --help for units and examples."
    parser.add_argument(
        "--pulses",
        type=int,
        required=True,
        metavar="N",
        help="of the encoder in one revolution of the wheel",
    )
    _add_identity(parser)
    parser.add_argument(
        "--wear",
        default="1mm",
        metavar="LENGTH",
        help="off the diameter until measured again, at most (1mm)",
    )
    parser.add_argument("--conicity", type=float, default=0.05, help="of the tread (0.05)")
    parser.add_argument(
        "--lateral",
        default="6mm",
        metavar="LENGTH",
        help="standard deviation of the contact across the tread (6mm)",
    )
    parser.add_argument(
        "--curve-radius",
        metavar="LENGTH",
        help="usual curve, for a wheel that turns by itself (none)",
    )
    parser.add_argument(
        "--curve-share",
        type=float,
        default=1.0,
        metavar="X",
        help="share of the way in such curves one way round (1)",
    )
    parser.add_argument(
        "--sheet", metavar="BENCH.toml", help="a file of stated facts: [laboratory], [standard]"
    )
    parser.add_argument("--out", metavar="CERT", help="write the certificate here")
    parser.add_argument("--json", action="store_true", help="print the answer as JSON")


def _add_identity(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--id", required=True, help="identity of the certificate")
    parser.add_argument("--wheel", default="", help="the wheel in words: axle, side, number")
    parser.add_argument(
        "--serial",
        default="",
        help="its number alone; a car sheet that names another is refused",
    )
    parser.add_argument("--issued", metavar="YYYY-MM-DD", help="day measured (today)")
    parser.add_argument("--expires", metavar="YYYY-MM-DD", help="last day of use (none)")


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
            msg = "--reaction-s wants --seconds above zero: how long a pass took"
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
