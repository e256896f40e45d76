"""Options of every verb that works an answer out of runs: its sheets, and its bands of speed.

A band is as wide as asked for, or of a round width in the edition shown.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from calibration.quantities.constants import KM_H_PER_M_S, KM_H_PER_MPH
from calibration.quantities.editions import Edition
from recorder.command_line.support.errors import UsageError
from recorder.run_file.hdf5.reader import open_run

__all__ = ["add_band_options", "add_sheet_options", "band_m_s", "edition_shown"]

USUAL_KM_H: Final[Mapping[Edition, float]] = {
    Edition.METRIC: 10.0,
    Edition.CUSTOMARY: 5.0 * KM_H_PER_MPH,
}
"""Round where it is read, and wide enough for several test sections (our choice)."""


def add_sheet_options(parser: argparse.ArgumentParser) -> None:
    """``--trip`` and ``--route``."""
    parser.add_argument(
        "--trip", type=Path, metavar="TRIP.toml",
        help="A trip sheet that stands for those of the runs. By default their own stand.",
    )  # fmt: skip
    parser.add_argument(
        "--route", type=Path, metavar="ROUTE.csv",
        help="The route table. By default the one each trip sheet names.",
    )  # fmt: skip


def add_band_options(parser: argparse.ArgumentParser) -> None:
    """``--band-km-h`` or ``--band-mph``."""
    band = parser.add_mutually_exclusive_group()
    band.add_argument(
        "--band-km-h", type=float, metavar="W",
        help="The width of a band of speed, in km/h; by default 10, or 5 mph in the customary "
        "edition.",
    )  # fmt: skip
    band.add_argument(
        "--band-mph", type=float, metavar="W", help="The same in mph; by default as above."
    )


def edition_shown(run: Path, asked: str | None) -> Edition:
    """The edition asked for, else that of the run's car sheet.

    Raises
    ------
    RunFileError, OSError
        The run cannot be read.
    """
    if asked:
        return Edition(asked)
    with open_run(run) as held:
        return Edition.METRIC if held.car is None else Edition(held.car.units)


def band_m_s(args: argparse.Namespace, edition: Edition) -> float:
    """Width of a band of speed, m/s.

    Raises
    ------
    UsageError
        It is not above zero.
    """
    for option, width, km_h in (
        ("--band-km-h", args.band_km_h, 1.0),
        ("--band-mph", args.band_mph, KM_H_PER_MPH),
    ):
        if width is None:
            continue
        if not width > 0.0:
            msg = f"{option} must be above zero, got {width:g}"
            raise UsageError(msg)
        return float(width * km_h / KM_H_PER_M_S)
    return USUAL_KM_H[edition] / KM_H_PER_M_S
