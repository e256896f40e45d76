"""How every chart on paper looks: squared paper, ticks inward, the key below, never on a point.

Black ink; where there is more than one curve each has a mark and a stroke of its own beside its
hue, so that a copy in black and white says the same.
"""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.ticker import AutoMinorLocator, ScalarFormatter

from calibration.quantities.written import typeset
from recorder.report.pages.typeface import chart_families, without_font

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

__all__ = [
    "BAND",
    "GREY",
    "INK",
    "LIMIT",
    "POWER",
    "SPEED",
    "WIDE_IN",
    "dress",
    "figure_of",
    "hidden_marks",
    "key",
    "shortened",
    "styled",
    "svg_of",
]

INK: Final = "#000000"
LIMIT: Final = "#8a2b2e"
SPEED: Final = "#b0124f"
POWER: Final = "#6a6000"
"""As the window's pens by day."""
GREY: Final = "#6e6e6e"
BAND: Final = "#dcdcdc"
WIDE_IN: Final = 6.8
_SQUARES: Final = {"major": ("#c4c4c4", 0.4), "minor": ("#e4e4e4", 0.25)}
_LONGEST: Final = 40
_LINE_OF_KEY: Final = 92
"""Letters of the key that stand side by side."""
_STYLE: Final[Any] = {
    "svg.fonttype": "path",
    "svg.hashsalt": "testcar",
    "font.size": 8.5,
    "font.weight": 500,  # what its regular cut calls itself
    "axes.titleweight": 500,
    "axes.labelweight": 500,
    "axes.linewidth": 0.9,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.axisbelow": True,
    "axes.grid": False,
    "axes.labelsize": 8.5,
    "axes.titlesize": 8.5,
    "axes.titlelocation": "left",
    "axes.titlepad": 4.0,
    "xaxis.labellocation": "right",
    "xtick.direction": "in",
    "ytick.direction": "in",
    "xtick.top": True,
    "ytick.right": True,
    "xtick.labelsize": 8.0,
    "ytick.labelsize": 8.0,
    "xtick.major.size": 4.5,
    "ytick.major.size": 4.5,
    "xtick.minor.size": 2.0,
    "ytick.minor.size": 2.0,
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "xtick.minor.width": 0.4,
    "ytick.minor.width": 0.4,
    "lines.linewidth": 1.0,
    "lines.solid_capstyle": "butt",
    "errorbar.capsize": 2.5,
    "hatch.linewidth": 0.4,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "legend.handlelength": 2.4,
    "legend.columnspacing": 1.8,
    "legend.borderaxespad": 0.2,
}


class _Figures(ScalarFormatter):
    """Numbers at the ticks as everywhere on paper: thin spaces, a true minus, no offset."""

    def __init__(self) -> None:
        super().__init__(useOffset=False)
        self.set_scientific(False)

    def __call__(self, x: float, pos: int | None = None) -> str:
        return typeset(super().__call__(x, pos).replace("\N{MINUS SIGN}", "-"))


def styled(words: str = "") -> AbstractContextManager[None]:
    """The style while a chart is drawn; ``words`` are those that others chose (names of runs)."""
    return mpl.rc_context({**_STYLE, "font.family": chart_families(words)})


def figure_of(
    height_in: float, rows: int = 1, width_in: float = WIDE_IN
) -> tuple[Figure, list[Axes]]:
    """An empty figure, and its axes from top to bottom, which share their abscissa."""
    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    FigureCanvasSVG(figure)
    return figure, list(figure.subplots(rows, 1, sharex=True, squeeze=False)[:, 0])


def dress(axes: Axes, across: str, up: str) -> None:
    """Squares, numbers and names: what goes up stands above the axis, to be read level."""
    axes.set_title(up)
    axes.set_xlabel(across, labelpad=1.5)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_minor_locator(AutoMinorLocator(5))
        axis.set_major_formatter(_Figures())
    for which, (colour, width) in _SQUARES.items():
        axes.grid(visible=True, which=which, color=colour, linewidth=width)  # type: ignore[arg-type]  # its stubs list the words


def shortened(name: str, most: int = _LONGEST) -> str:
    """A name that others chose, for a key; a letter that no font has is a box."""
    lacking = without_font(name)
    shown = "".join("\N{WHITE SQUARE}" if c in lacking else c for c in name)
    return shown if len(shown) <= most else shown[: most - 1] + "…"


def key(figure: Figure, axes: Axes, *, reverse: bool = False) -> None:
    """The key below the chart, where it hides nothing."""
    handles, labels = axes.get_legend_handles_labels()
    if handles:
        order = slice(None, None, -1 if reverse else 1)
        across = max(1, min(len(labels), _LINE_OF_KEY // (8 + max(map(len, labels)))))
        figure.legend(handles[order], labels[order], loc="outside lower left", ncols=across)


def hidden_marks(axes: Axes, points: NDArray[np.float64], size_pt: float) -> int:
    """Of points (n, 2), how many lie so near a later one that they cannot be told from it."""
    figure = axes.figure
    assert isinstance(figure, Figure)
    layout = figure.get_layout_engine()
    assert layout is not None
    # Where the points come to lie is told by the layout: the figure need not be drawn for it.
    layout.execute(figure)
    held = axes.transData.transform(points) * 72.0 / figure.dpi
    near = 0
    for i in range(len(held) - 1):
        ahead = held[i + 1 :] - held[i]
        near += bool((np.hypot(ahead[:, 0], ahead[:, 1]) < 0.3 * size_pt).any())
    return near


def svg_of(figure: Figure) -> bytes:
    """The figure as SVG, the same every time."""
    stream = io.BytesIO()
    canvas: Any = figure.canvas
    canvas.print_svg(stream, metadata={"Date": None, "Creator": None})
    # The metadata states nothing and names outside places: leave it out.
    return re.sub(rb"<metadata>.*?</metadata>", b"", stream.getvalue(), flags=re.DOTALL)
