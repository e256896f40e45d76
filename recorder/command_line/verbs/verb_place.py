"""``testcar place RUN``: put a run on its route by its milepost marks and GNSS fixes."""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder.command_line.support.json_answer import print_json
from recorder.command_line.support.person import person
from recorder.machine.version import software
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.digest_check import refuse_damaged
from recorder.track.placing.placement import MarkUse
from recorder.track.placing.run_source import (
    find_route,
    keep_placement,
    options_of,
    place_run_file,
)

if TYPE_CHECKING:
    from recorder.run_file.hdf5.reader import RunFile
    from recorder.track.placing.placement import Placement
    from recorder.track.route.route import Route

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "place",
        description="Find where a run was on its route, by the wheel, the milepost marks and "
        "the GNSS receiver. The result is kept in RUN.h5.notes beside the run.",
        epilog="Example:\n  testcar place run.h5 --route ambleford.csv\n\n"
        "Milepost marks that are wrong, doubled or missing are listed, each with how far it "
        "lies from its post.",
    )
    parser.add_argument("run_file", metavar="RUN", help="The run file.")
    parser.add_argument(
        "--route", metavar="ROUTE.csv",
        help="The route table. By default the one the trip sheet names.",
    )  # fmt: skip
    parser.add_argument(
        "--start-chainage-m", type=float, metavar="M",
        help="The chainage where the run began, in metres. By default what the trip sheet says.",
    )  # fmt: skip
    parser.add_argument(
        "--direction", choices=["increasing", "decreasing"],
        help="Which way the train went along the chainage. By default what the trip sheet says.",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="Print the answer as JSON.")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Place the run, keep and print the result.

    Raises
    ------
    ValueError, OSError
        The run or the route cannot be used, or nothing ties them together.
    """
    refuse_damaged(args.run_file)
    with open_run(args.run_file) as held:
        route = find_route(held, args.route)
        options = options_of(held)
        if args.start_chainage_m is not None:
            options = replace(options, start_chainage_m=args.start_chainage_m)
        if args.direction is not None:
            options = replace(options, way=1 if args.direction == "increasing" else -1)
        placement = place_run_file(held, route, options=options)
        keep_placement(held, route, placement, by=person(), version=software())
        if args.json:
            print_json(summary(held, route, placement))
        else:
            _print_placement(held, route, placement)
    return 0


def summary(held: RunFile, route: Route, placement: Placement) -> dict[str, Any]:
    """The answer, JSON-ready: every figure with its unit and 95 % uncertainty."""

    u95 = 2.0 * placement.u_m
    return {
        "run": str(held.path),
        "route": route.source,
        "route_digest": route.digest,
        "direction": "increasing" if placement.way > 0 else "decreasing",
        "begin": _place(placement, route, 0),
        "end": _place(placement, route, -1),
        "wheel_scale": placement.scale,
        "wheel_scale_U95": 2.0 * placement.u_scale,
        "wheel_scale_at_begin": placement.scale_first,
        "wheel_scale_at_end": placement.scale_last,
        "crew_delay_s": placement.reaction_s,
        "crew_delay_U95_s": 2.0 * placement.u_reaction_s,
        "crew_delay_scatter_s": placement.reaction_sd_s,
        "position_U95_m": {
            "median": float(np.median(u95)),
            "greatest": placement.greatest_u95_m,
        },
        "marks": [_mark(m) for m in placement.to_dict()["marks"]],
        "outliers": [m.mark_id for m in placement.marks if m.status is not MarkUse.USED],
        "skipped_mileposts": list(placement.skipped),
        "gnss_fixes_used": placement.gnss_used,
        "gnss_fixes_rejected": placement.gnss_rejected,
        "notes": list(placement.notes),
        "positions": {
            "t_s": placement.to_dict()["t_s"],
            "chainage_m": placement.to_dict()["s_m"],
            "U95_m": [round(u, 3) for u in u95.tolist()],
        },
    }


def _place(placement: Placement, route: Route, i: int) -> dict[str, Any]:
    s = float(placement.s_m[i])
    posted = float(route.posted_at(s))
    return {
        "t_s": float(placement.t_s[i]),
        "chainage_m": s,
        "U95_m": float(2.0 * placement.u_m[i]),
        "milepost": None if posted != posted else posted,
    }


def _mark(data: dict[str, Any]) -> dict[str, Any]:
    return {**data, "outlier": data["status"] != MarkUse.USED}


def _print_placement(held: RunFile, route: Route, placement: Placement) -> None:
    facts = summary(held, route, placement)
    begin, end = facts["begin"], facts["end"]
    print(f"run        {facts['run']} on {facts['route']}, chainage {facts['direction']}")
    for name, at in (("begin", begin), ("end", end)):
        post = "" if at["milepost"] is None else f" (milepost {at['milepost']:.2f})"
        print(f"{name:<10} {at['chainage_m']:.1f} m ± {at['U95_m']:.1f} m{post}")
    print(
        f"position   known to ± {facts['position_U95_m']['median']:.1f} m,"
        f" at worst ± {facts['position_U95_m']['greatest']:.1f} m (95 %)"
    )
    print(
        f"wheel      {placement.scale:.5f} ± {2 * placement.u_scale:.5f} of its certificate,"
        f" {placement.scale_first:.5f} at first, {placement.scale_last:.5f} at last"
    )
    print(
        f"crew       keys {placement.reaction_s:.2f} ± {2 * placement.u_reaction_s:.2f} s"
        f" late, scatter {placement.reaction_sd_s:.2f} s"
    )
    good = sum(m.status is MarkUse.USED for m in placement.marks)
    print(f"marks      {good} of {len(placement.marks)} as keyed")
    for m in placement.marks:
        if m.status is not MarkUse.USED:
            gap = "" if m.residual_m is None else f", {m.residual_m:+.1f} m from {m.milepost}"
            print(f"  {m.status:<11} at {m.t_s:.1f} s, keyed {m.label or '(no number)'}{gap}")
    if placement.skipped:
        print(f"skipped    {', '.join(placement.skipped)}")
    if placement.gnss_used or placement.gnss_rejected:
        print(f"GNSS       {placement.gnss_used} used, {placement.gnss_rejected} left out")
    for note in placement.notes:
        print(f"note       {note}")
