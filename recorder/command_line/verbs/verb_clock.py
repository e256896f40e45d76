"""``testcar clock``: what a sealed run shows of a device's clock, as a certificate."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from calibration.certificates.certificate import dump_certificate, full_document
from calibration.certificates.clock import MOST_PULSES, ClockCertificate
from calibration.certificates.days import local_day
from calibration.clock.tick_rate import seconds_of_pulses, tick_rate
from recorder.command_line.bench.bench_signing import add_signed
from recorder.command_line.bench.certificate_files import day_of, lay_out, verify, write_new
from recorder.command_line.bench.sheet_facts import common_facts
from recorder.command_line.support.errors import UsageError
from recorder.command_line.support.json_answer import print_json
from recorder.command_line.support.sealed_only import refuse_unsealed
from recorder.machine.version import software
from recorder.run.time.new_pulses import NewPulses
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.digest_check import refuse_damaged

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from recorder.run_file.hdf5.devices import Device
    from recorder.run_file.hdf5.reader import RunFile

__all__ = ["add_parser", "run"]

CHUNK = 1 << 18


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "clock",
        description="Make a certificate of what a sealed run shows of a device's clock: the rate "
        "of its ticks against the receiver's pulse that is wired to it. It is evidence, and "
        "changes no time. The certificate is worked out again with verify, and laid out for "
        "signing with pdf.",
        epilog="Examples:\n"
        "  testcar clock run.h5 --device wheel --out clock.cert.json\n"
        "  testcar clock verify clock.cert.json\n"
        "  testcar clock pdf clock.cert.json --out clock.pdf",
    )
    _add_options(parser)
    add_signed(parser)
    parser.set_defaults(run=run)


def _add_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "what", metavar="RUN.h5|verify|pdf", help="A sealed run; or verify, or pdf."
    )
    parser.add_argument(
        "certificate", nargs="?", metavar="CERT", help="The certificate, after verify or pdf."
    )
    parser.add_argument(
        "--device", metavar="NAME",
        help="Whose clock: a device with a pulse input. Only verify and pdf do without it.",
    )  # fmt: skip
    parser.add_argument(
        "--id", help="The certificate's number; by default device and day of the run."
    )
    parser.add_argument(
        "--serial", default="", help="The device's serial number. Without it, none is stated."
    )
    parser.add_argument(
        "--issued", metavar="YYYY-MM-DD", help="The day of issue; by default today."
    )
    parser.add_argument(
        "--temperature-C", dest="temperature_C", type=float, nargs=2, metavar=("LOW", "HIGH"),
        help="Temperature at the device during the run. Without it, none is stated.",
    )  # fmt: skip
    parser.add_argument(
        "--sheet", metavar="BENCH.toml",
        help="A file of stated facts, with tables [laboratory] and [standard]. Without it, none "
        "are stated.",
    )  # fmt: skip
    parser.add_argument(
        "--out", metavar="FILE",
        help="Write the certificate, or the PDF, here. Without it, the certificate is only shown.",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="Print the answer as JSON.")


def run(args: argparse.Namespace) -> int:
    """Make a certificate, or verify or lay out one that stands.

    Raises
    ------
    UsageError
        Wrong use, or a run that shows nothing of the device's clock.
    ValueError, OSError
        The run or the certificate cannot be read.
    """
    if args.what in ("verify", "pdf"):
        if args.certificate is None or (args.what == "pdf" and args.out is None):
            further = " and --out PDF" * (args.what == "pdf")
            msg = f"{args.what}: give the certificate{further}, as testcar clock --help shows"
            raise UsageError(msg)
        if args.what == "pdf":
            return lay_out(args.certificate, args.out, kind="clock")
        return verify(args, kind="clock")
    if args.certificate is not None or args.device is None:
        msg = "give RUN.h5 and --device NAME; or verify CERT; or pdf CERT --out PDF"
        raise UsageError(msg)
    return _issue(args)


def _issue(args: argparse.Namespace) -> int:
    refuse_damaged(args.what)
    with open_run(args.what) as held:
        refuse_unsealed(held, live="stop the recording first")
        certificate = _certificate(args, held)
    if args.out:
        write_new(Path(args.out), dump_certificate(certificate))
    if args.json:
        print_json(full_document(certificate))
        return 0
    U = certificate.coverage_factor * certificate.u_rate_ppm
    print(f"certificate  {certificate.certificate_id}")
    print(f"rate         {certificate.rate_ppm:+.4f} ppm ± {U:.2g} ppm"
          f" (95 %, k = {certificate.coverage_factor:.2f}); + runs fast")  # fmt: skip
    print(f"pieces       {certificate.low_ppm:+.4f} to {certificate.high_ppm:+.4f} ppm")
    print(f"span         {certificate.span_s:.0f} s, {len(certificate.seconds)} pulses kept")
    if args.out:
        print(f"written to {args.out}")
    return 0


def _certificate(args: argparse.Namespace, held: RunFile) -> ClockCertificate:
    device = held.devices.get(args.device)
    if device is None:
        msg = f"{held.path}: no device {args.device!r}; it has {', '.join(held.devices)}"
        raise UsageError(msg)
    tick_hz = float(device.header.tick_hz)
    seconds, ticks = _kept(*seconds_of_pulses(_edges(device), tick_hz))
    try:
        rate = tick_rate(seconds, ticks, tick_hz)
    except ValueError as error:
        msg = (
            f"{held.path}: {args.device}: too few of the receiver's pulses were seen ({error});"
            " wire its pulse per second to this device, and record for a minute or longer"
        )
        raise UsageError(msg) from error
    began = held.header.started_utc_ns / 1e9
    day = datetime.fromtimestamp(began, UTC)
    figures = asdict(rate)
    return ClockCertificate(
        certificate_id=args.id or f"clock-{args.device}-{day:%Y-%m-%d}",
        issued=day_of(args.issued, "--issued") or local_day(),
        expires=None,
        device=f"{args.device}, {device.header.driver}",
        serial=args.serial,
        run=Path(args.what).name,
        run_digest=held.digest or "",
        began_utc=f"{day:%Y-%m-%dT%H:%M:%SZ}",
        tick_hz=tick_hz,
        seconds=tuple(seconds.tolist()),
        ticks=tuple(ticks.tolist()),
        rate_ppm=figures["rate_ppm"],
        u_rate_ppm=figures["u_ppm"],
        coverage_factor=figures["k"],
        low_ppm=figures["low_ppm"],
        high_ppm=figures["high_ppm"],
        scatter_us=figures["scatter_us"],
        temperature_C=None if args.temperature_C is None else tuple(args.temperature_C),
        software=software(),
        stated=common_facts(args.sheet),
    )


def _edges(device: Device) -> NDArray[np.uint64]:
    """Device ticks of the pulse's edges, each once; empty for a device without the input."""
    if "pps_tick" not in (device.header.record_dtype.names or ()):
        return np.empty(0, np.uint64)
    pulses, found = NewPulses(), [np.empty(0, np.uint64)]
    for start in range(0, device.n, CHUNK):
        records = device.records(start, start + CHUNK)
        edges = records["pps_tick"]
        found.append(edges[pulses.among(edges, records["flags"], records["tick"])])
    return np.concatenate(found)


def _kept(
    seconds: NDArray[np.int64], ticks: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    if len(seconds) <= MOST_PULSES:
        return seconds, ticks
    chosen = np.unique(np.linspace(0, len(seconds) - 1, MOST_PULSES).astype(int))
    return seconds[chosen], ticks[chosen]
