"""``testcar route check ROUTE.csv``: can this route be used, and what is odd about it?"""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder.command_line.support.json_answer import print_json
from recorder.track.route.route import RouteError, load_route

if TYPE_CHECKING:
    from recorder.track.route.route import Route

__all__ = ["add_parser", "run"]


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 - argparse's own type is private
    """Add the verb."""
    parser = subparsers.add_parser(
        "route",
        description="Check a route table (CSV): its mileposts, grades, curves and speed limits.",
        epilog="Example:\n  testcar route check ambleford.csv\n\n"
        "Exit code 0: it can be used; what is odd is printed. 2: it cannot be used.",
    )
    parser.add_argument("action", choices=["check"], help="What to do: check.")
    parser.add_argument("route", metavar="ROUTE.csv", help="The route table.")
    parser.add_argument("--json", action="store_true", help="Print the answer as JSON.")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Check the route; every problem is one line with file and row.

    Raises
    ------
    OSError
        The file cannot be read.
    """

    try:
        route = load_route(args.route)
    except RouteError as error:
        if args.json:
            print(json.dumps({"usable": False, "errors": list(error.lines), "warnings": []}))
        for line in error.lines:
            print(f"testcar route: error: {line}", file=sys.stderr)
        return 2
    if args.json:
        print_json(_summary(route))
        return 0
    for line in route.warnings:
        print(f"testcar route: warning: {line}", file=sys.stderr)
    for name, text in _lines(route):
        print(f"{name:<12} {text}")
    return 0


def _summary(route: Route) -> dict[str, Any]:

    kinds = [f.kind for f in route.all_features]
    steepest = None
    if route.grade is not None:
        both = np.concatenate((route.grade.left, route.grade.right))
        steepest = float(100.0 * both[np.argmax(np.abs(both))])
    sharpest = min((c.radius_m for c in route.curves), default=None)
    return {
        "usable": True,
        "route": route.source,
        "digest": route.digest,
        "chainage_from_m": route.s_min,
        "chainage_to_m": route.s_max,
        "counts": {kind: kinds.count(kind) for kind in sorted(set(kinds))},
        "steepest_grade_pct": steepest,
        "sharpest_curve_m": sharpest,
        "has_coordinates": route.alignment is not None,
        "errors": [],
        "warnings": list(route.warnings),
    }


def _lines(route: Route) -> list[tuple[str, str]]:
    facts = _summary(route)
    length = (route.s_max - route.s_min) / 1000.0
    posts = route.mileposts
    lines = [
        ("route", f"{route.source}: {length:.3f} km, usable"),
        ("rows", ", ".join(f"{n} {kind}" for kind, n in facts["counts"].items())),
    ]
    if posts:
        lines.append(("mileposts", f"{posts[0].label} … {posts[-1].label}"))
    if facts["steepest_grade_pct"] is not None:
        lines.append(("steepest", f"{facts['steepest_grade_pct']:+.2f} %"))
    if facts["sharpest_curve_m"] is not None:
        lines.append(("sharpest", f"radius {facts['sharpest_curve_m']:.0f} m"))
    lines.append(("warnings", str(len(route.warnings))))
    return lines
