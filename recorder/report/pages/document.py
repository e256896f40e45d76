"""A document as plain blocks: the PDF and the HTML are two renderings of the same list."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from calibration.quantities.written import typeset
from recorder.analysis.uncertainty.measured import Measured

__all__ = [
    "Block",
    "Chart",
    "ChartData",
    "Document",
    "Drawing",
    "Heading",
    "RunAxis",
    "RunPlace",
    "Signatures",
    "Text",
    "TextTable",
    "TitleBlock",
    "VerdictBlock",
    "plain",
    "pm",
    "pm_of",
]


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading, numbered as it stands in the document: level 1 is ``1``, level 2 ``1.1``."""

    text: str
    level: int = 1
    new_page: bool = False


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph."""

    text: str
    role: str = ""
    """``caution``, ``caution foot`` (at the foot of the first page), ``small``, ``code``, ``kept``
    (on one page with what follows) or nothing."""


@dataclass(frozen=True, slots=True)
class TitleBlock:
    """The ruled block at the head of page one: label and what is stated under it."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Signatures:
    """Who signs, each with room for name, signature and date."""

    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RunPlace:
    """An instant of a run that a row of a table points to."""

    run_id: str
    t_s: float


@dataclass(frozen=True, slots=True)
class TextTable:
    """A table of texts; columns of numbers are set to the right.

    With a caption it is numbered, in the order of the document.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    caption: str = ""
    places: tuple[RunPlace | None, ...] = ()
    """For each row the instant it is about; empty where no row is about one."""


@dataclass(frozen=True, slots=True)
class ChartData:
    """The figures behind a chart: named columns of one length; NaN where there is none.

    Of a chart along a run the first column is the instant, in seconds of the run.
    """

    columns: tuple[str, ...]
    values: tuple[tuple[float, ...], ...] = field(repr=False)
    """Column by column."""


@dataclass(frozen=True, slots=True)
class RunAxis:
    """How the seconds of a run lie along a chart: linear, in units of its view box."""

    run_id: str
    t_s: tuple[float, float]
    """First and last second shown."""
    x: tuple[float, float]
    """Where they lie."""


@dataclass(frozen=True, slots=True)
class Drawing:
    """A chart as it is drawn, and what stands behind it."""

    svg: bytes = field(repr=False)
    data: ChartData | None = None
    axis: RunAxis | None = None
    """Of a chart along a run: a row about an instant of it leads here."""
    notes: tuple[str, ...] = ()
    """What it does not show, in sentences that end its caption."""


@dataclass(frozen=True, slots=True)
class Chart:
    """A drawing in a document; numbered in the order of the document."""

    name: str
    drawing: Drawing
    caption: str = ""

    @property
    def words(self) -> str:
        """Caption, and what the drawing does not show."""
        return " ".join(filter(None, (self.caption, *self.drawing.notes)))


@dataclass(frozen=True, slots=True)
class VerdictBlock:
    """The one-line verdict, set large."""

    verdict: str
    detail: str


Block = Heading | Text | TitleBlock | Signatures | TextTable | Chart | VerdictBlock


@dataclass(frozen=True, slots=True, kw_only=True)
class Document:
    """A whole document."""

    title: str
    subtitle: str
    blocks: Sequence[Block]
    footer: str = ""
    number: str = ""
    """Of the report, in the head of every page."""


def plain(value: float, digits: int = 3) -> str:
    """A number as people read it: no exponent from a thousandth to a million."""
    if not math.isfinite(value):
        return "—"
    size = abs(value)
    if size and not 1e-3 <= size < 1e7:
        return typeset(f"{value:.{digits - 1}e}")
    decimals = max(0, digits - 1 - _exponent(size)) if size else 0
    return typeset(f"{value:.{decimals}f}")


def pm(value: Measured | None, *, unit: bool = False) -> str:
    """``123.4 ± 1.2``: expanded uncertainty to two figures, the value to the same place."""
    if value is None or math.isnan(value.value):
        return "—"
    spread = value.expanded if value.parts else 0.0
    return pm_of(value.value, spread, value.unit if unit else "")


def pm_of(value: float, spread: float, unit: str = "") -> str:
    """The same of a value and its expanded uncertainty (0: exact; infinite: unknown)."""
    tail = f" {unit}" if unit else ""
    if spread == 0.0:
        return plain(value) + tail
    if not spread < float("inf"):
        return f"{plain(value)} ± unknown{tail}"
    places = max(0, 1 - _exponent(spread))
    if spread >= 1e7 or places > 9:
        return f"{plain(value)} ± {plain(spread, 2)}{tail}"
    return f"{typeset(f'{value:.{places}f}')} ± {typeset(f'{spread:.{places}f}')}{tail}"


def _exponent(size: float) -> int:
    return int(f"{size:e}".rpartition("e")[2])
