"""Charts of a force certificate as SVG: readable in black and white, the same every time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from recorder.report.pages.chart_style import dress, figure_of, key, shortened, styled, svg_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from recorder.report.certificate.force_results import Sense

__all__ = ["loop_chart", "residual_chart", "shares_chart"]

_HEIGHT_IN: Final = 2.9
_MARKERS: Final = {1: "^", -1: "v", 0: "o"}
_WAYS: Final = {1: "rising", -1: "falling", 0: "direction not stated"}
_FACES: Final = ("white", "0.65", "black")
"""By position, in the order taken; more positions begin again with a smaller mark."""
_HATCHES: Final = ("", "////", "....", "\\\\\\\\", "xxxx", "----", "oooo", "||||")
_WIDEST: Final = 4.0
"""Times the largest distance of a reading that the band of U may be, and still be shown whole."""
_LEAST_SHARE: Final = 0.02
"""A component that is nowhere more is among the others."""


def residual_chart(sense: Sense) -> bytes:
    """Distance from the curve for use, kN, with the band of U: means of series at each force."""
    loads, certificate = sense.loads, sense.held.certificate
    kN = loads.readings.kN_per_unit
    with styled("".join(sense.loads.readings.series_names)):
        figure, axes = _axes("force, kN", "indicated less applied, kN")
        grid = np.linspace(0.0, float(loads.levels[-1]) * kN, 200)
        U = certificate.expanded_uncertainty_kN(grid)
        reach = _points(axes, sense)
        # A band many times wider than the readings' scatter would hide them.
        high = float(U.max())
        within = reach <= 0.0 or high <= _WIDEST * reach
        label = "± U" if within else f"± U, to ± {high:.2g} kN"
        axes.fill_between(grid, -U, U, color="0.9", linewidth=0.0, label=label)
        axes.axhline(0.0, color="black", linewidth=0.6)
        if not within:
            axes.set_ylim(-_WIDEST / 2.0 * reach, _WIDEST / 2.0 * reach)
        return _svg(figure, axes)


def loop_chart(sense: Sense) -> bytes | None:
    """Falling less rising of each series taken both ways, kN; None where there is none."""
    loads = sense.loads
    per_reading = loads.largest * loads.readings.kN_per_unit / loads.full_scale
    pairs = [
        (up, down)
        for up in loads.branches
        for down in loads.branches
        if up.direction > 0 > down.direction
        and up.series == down.series
        and bool(np.any(~np.isnan(down.at - up.at)))
    ]
    if not pairs:
        return None
    with styled("".join(sense.loads.readings.series_names)):
        figure, axes = _axes("force, kN", "falling less rising, kN")
        axes.axhline(0.0, color="black", linewidth=0.6)
        lines = ("-", "--", "-.", ":")
        for i, (up, down) in enumerate(pairs):
            name = loads.readings.series_names[up.series]
            place = "" if np.isnan(up.position_deg) else f", {up.position_deg:g}°"
            axes.plot(
                loads.levels * loads.readings.kN_per_unit,
                np.abs(down.at) * per_reading - np.abs(up.at) * per_reading,
                color="black", linestyle=lines[i % len(lines)], marker="v", markersize=3.5,
                markerfacecolor=_FACES[i % 3], markeredgewidth=0.6,
                label=shortened(name, 20) + place,
            )  # fmt: skip
        return _svg(figure, axes)


def shares_chart(sense: Sense) -> bytes:
    """Share of each component in the combined variance, by force, stacked."""
    budget = sense.results["budget"]
    force = np.array(budget["force_kN"])
    known = {
        c["name"]: np.array(c["standard_kN"]) ** 2
        for c in budget["components"]
        if c["standard_kN"] is not None
    }
    total = np.maximum(np.sum(list(known.values()), axis=0), 1e-300)
    shares = {name: values / total for name, values in known.items()}
    main = {n: v for n, v in shares.items() if float(v.max()) >= _LEAST_SHARE}
    others = np.asarray(1.0 - np.sum(list(main.values()), axis=0))
    if len(main) < len(shares):
        main["all others"] = np.clip(others, 0.0, 1.0)
    greys = np.linspace(0.95, 0.35, max(len(main), 2))
    with styled("".join(sense.loads.readings.series_names)):
        figure, axes = _axes("force, kN", "share of the variance, %")
        below = np.zeros_like(force)
        for i, (name, share) in enumerate(main.items()):
            axes.fill_between(
                force, 100.0 * below, 100.0 * (below + share), facecolor=str(greys[i]),
                edgecolor="black", linewidth=0.5, hatch=_HATCHES[i % len(_HATCHES)], label=name,
            )  # fmt: skip
            below = below + share
        axes.set_xlim(0.0, float(force[-1]))
        axes.set_ylim(0.0, 100.0)
        return _svg(figure, axes, reverse=True)


def _points(axes: Axes, sense: Sense) -> float:
    """Readings less the curve by position (face) and direction (mark); the largest, kN."""
    places: list[str] = []
    reach = 0.0
    for place, way, force, deflection in _groups(sense):
        if place not in places:
            places.append(place)
        i = places.index(place)
        error = sense.held.certificate.to_force(deflection, zero_counts=0.0) - force
        reach = max(reach, float(np.max(np.abs(error), initial=0.0)))
        label = f"{place}, {_WAYS[way]}"
        axes.plot(
            force, error, linestyle="none", marker=_MARKERS[way],
            markersize=4.0 if i < len(_FACES) else 2.5, markeredgecolor="black",
            markerfacecolor=_FACES[i % len(_FACES)], markeredgewidth=0.6,
            label="" if label in axes.get_legend_handles_labels()[1] else label,
        )  # fmt: skip
    return reach


def _groups(
    sense: Sense,
) -> Iterator[tuple[str, int, NDArray[np.float64], NDArray[np.float64]]]:
    """Position in words, direction, forces (kN) and deflections of readings taken together."""
    loads, kN = sense.loads, sense.loads.readings.kN_per_unit
    for branch in loads.branches:
        taken = ~np.isnan(branch.at)
        place = "not stated" if np.isnan(branch.position_deg) else f"{branch.position_deg:g}°"
        yield place, branch.direction, loads.levels[taken] * kN, branch.at[taken]
    if not loads.branches:
        for way in _MARKERS:
            here = loads.direction == way
            if np.any(here):
                yield "readings", way, loads.force[here] * kN, loads.deflection[here]


def _axes(across: str, up: str) -> tuple[Figure, Axes]:
    figure, (axes,) = figure_of(_HEIGHT_IN)
    dress(axes, across, up)
    return figure, axes


def _svg(figure: Figure, axes: Axes, *, reverse: bool = False) -> bytes:
    key(figure, axes, reverse=reverse)
    return svg_of(figure)
