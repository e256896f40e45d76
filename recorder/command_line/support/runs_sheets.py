"""Sheets that stand for those of the runs, for every verb that works an answer out of runs."""

from __future__ import annotations

import argparse
from pathlib import Path

__all__ = ["add_sheet_options"]


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
