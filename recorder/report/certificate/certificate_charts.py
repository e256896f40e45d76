"""Charts of a calibration certificate as SVG: readable in black and white."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from calibration.evaluation.evaluation import SenseEvaluation

__all__ = ["fit_chart", "residual_chart", "uncertainty_chart"]

_MARKERS: Final = {
    1: ("^", "none", "rising"),
    -1: ("v", "black", "falling"),
    0: ("o", "none", "direction not stated"),
}
_STYLE: Final[Any] = {
    "svg.fonttype": "path",
    "svg.hashsalt": "certificate",
    "font.family": "DejaVu Sans",
    "font.size": 8.0,
    "axes.linewidth": 0.6,
    "lines.linewidth": 0.9,
}
_SIZE_IN: Final = (6.3, 2.6)


def fit_chart(part: SenseEvaluation) -> bytes:
    """Deflection over applied force, readings and fitted curve."""
    loads = part.loads
    with mpl.rc_context(_STYLE):
        figure, axes = _axes()
        _points(axes, part, loads.deflection)
        force = np.linspace(float(loads.levels[0]), float(loads.levels[-1]), 200)
        curve = part.deflection_from_force.predict(force)
        axes.plot(
            force * loads.readings.kN_per_unit, curve, "k-", label=f"degree {part.degree}"
        )
        axes.set_ylabel(f"deflection, {loads.readings.reading_unit}")
        return _svg(figure, axes)


def residual_chart(part: SenseEvaluation) -> bytes:
    """Distance of each reading from the curve, with the band of 2.4 standard deviations."""
    loads = part.loads
    fit = part.deflection_from_force
    with mpl.rc_context(_STYLE):
        figure, axes = _axes()
        residuals = loads.deflection - fit.predict(loads.force)
        _points(axes, part, residuals)
        reach = 1.1 * max(float(np.max(np.abs(residuals))), 2.4 * fit.residual_sd)
        if reach > 0.0:
            axes.set_ylim(-reach, reach)
        axes.axhline(0.0, color="black", linewidth=0.6)
        for sign in (1.0, -1.0):
            label = "± 2.4 standard deviations" if sign > 0 else None
            axes.axhline(
                sign * 2.4 * fit.residual_sd, color="black", linestyle="--", linewidth=0.7,
                label=label,
            )  # fmt: skip
        axes.set_ylabel(f"residual, {loads.readings.reading_unit}")
        return _svg(figure, axes)


def uncertainty_chart(part: SenseEvaluation) -> bytes:
    """Expanded uncertainty over force, and the standard uncertainty of what makes it up."""
    budget = part.budget
    with mpl.rc_context(_STYLE):
        figure, axes = _axes()
        axes.plot(budget.force_kN, budget.expanded_kN, "k-", linewidth=1.6,
                  label="expanded, 95 %")  # fmt: skip
        styles = [(0, (n, 2)) for n in (1, 3, 6, 9)] + [
            (0, (6, 2, 1, 2)), (0, (6, 2, 1, 2, 1, 2)), (0, (3, 1, 1, 1)), (0, (1, 4)),
        ]  # fmt: skip
        known = [(c.name, c.standard) for c in budget.components if c.standard is not None]
        for (name, standard), style in zip(known, styles * 2, strict=False):
            axes.plot(budget.force_kN, standard, color="black", linestyle=style,
                      linewidth=0.8, label=name)  # fmt: skip
        axes.set_ylabel("uncertainty, kN")
        axes.set_ylim(bottom=0.0)
        return _svg(figure, axes)


def _axes() -> tuple[Figure, Axes]:
    figure = Figure(figsize=_SIZE_IN, layout="constrained")
    FigureCanvasSVG(figure)
    axes = figure.add_subplot()
    axes.set_xlabel("force, kN")
    axes.grid(visible=True, color="0.8", linewidth=0.4)
    return figure, axes


def _points(axes: Axes, part: SenseEvaluation, values: NDArray[np.float64]) -> None:
    loads = part.loads
    for direction, (marker, face, label) in _MARKERS.items():
        here = loads.direction == direction
        if np.any(here):
            axes.plot(
                loads.force[here] * loads.readings.kN_per_unit, values[here], linestyle="none",
                marker=marker, markersize=3.5, markeredgecolor="black", markerfacecolor=face,
                markeredgewidth=0.6, label=label,
            )  # fmt: skip


def _svg(figure: Figure, axes: Axes) -> bytes:
    axes.legend(loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False, fontsize=7)
    out = io.BytesIO()
    figure.savefig(out, format="svg", metadata={"Date": None})
    return out.getvalue()
