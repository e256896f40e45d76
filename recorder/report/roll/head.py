"""The head of a chart roll: whose trace it is, taken when and where, with what, at which scales."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Final

from recorder.report.particulars.days import when_words
from recorder.report.particulars.people import crew_words
from recorder.report.particulars.places import from_and_to, table_of
from recorder.report.particulars.vehicles import car_words, locomotive_words, train_words
from recorder.report.particulars.worth import cell_worth, wheel_worth
from recorder.report.roll.paper import (
    HEAD_MM,
    LEFT_MM,
    RIGHT_MM,
    WIDTH_MM,
    Sheet,
    text,
    wrapped,
)

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.report.roll.pens import Pen

__all__ = ["Head", "first_head", "head_of", "later_head"]

_SIZE: Final = 2.7
_PITCH_MM: Final = 3.8
_NAME_MM: Final = 19.0
"""For the name of a row."""


class Head:
    """What stands at the head of a run's roll, worked out once."""

    def __init__(self, run: LoadedRun, sheet: Sheet, pens: Sequence[Pen]) -> None:
        units, trip = sheet.units, run.trip
        self.title = "" if trip is None else trip.name
        self._certificates = [
            (name, words)
            for name, words in (
                ("Load cell", cell_worth(run, units)),
                ("Wheel", wheel_worth(run)),
            )
            if words
        ]
        self.columns: tuple[Sequence[tuple[str, str]], ...] = (
            [
                ("Date", when_words(run)),
                ("Run", f"{run.provenance.path.name}, {run.run_id[:8]}"),
                ("Route", _route(run)),
                ("Crew", crew_words(trip, run.marks)),
            ],
            [
                (
                    "Locomotive",
                    locomotive_words(None if trip is None else trip.locomotive, units),
                ),
                ("Train", train_words(trip, units)),
                ("Test car", car_words(run.provenance.car, trip, units)),
            ],
            self._certificates or [("Certificate", "none in the run")],
            _scales(sheet, pens),
        )

    def short(self, scale: str) -> str:
        """All of it in one line, for the sheets that follow."""
        (date, _, route, _), (locomotive, _, car), *_ = self.columns
        told = [self.title, locomotive[1], date[1], route[1], f"Test car {car[1]}"]
        told += [f"{name}: {words}" for name, words in self._certificates]
        return "  ·  ".join([*(t for t in told if t), scale])


def head_of(sheet: Sheet, pens: Sequence[Pen]) -> Head:
    """The head of the run a sheet is of."""
    return Head(sheet.run, sheet, pens)


def first_head(head: Head, sheet: Sheet) -> str:
    """The head in full, in four columns across the first sheet."""
    right = _right_mm(sheet)
    column = (right - LEFT_MM) / len(head.columns)
    out = [
        text(LEFT_MM, 9.0, f"Chart roll: {head.title}" if head.title else "Chart roll", 4.6),
        _number(sheet, 9.0),
    ]
    for i, rows in enumerate(head.columns):
        y = 15.0
        for name, words in rows:
            x = LEFT_MM + i * column
            room = column - _NAME_MM - 4.0
            out.append(text(x, y, name, _SIZE).replace("<text", '<text font-style="italic"'))
            spare = max(1, int((HEAD_MM - y) // _PITCH_MM) + 1)
            for part in wrapped(words, room, _SIZE, min(3, spare)):
                out.append(text(x + _NAME_MM, y, part, _SIZE))
                y += _PITCH_MM
    y = HEAD_MM + 1.5
    out.append(
        f'<line x1="{LEFT_MM}" x2="{right:.3f}" y1="{y}" y2="{y}" stroke="black"'
        ' stroke-width="0.2"/>'
    )
    return "".join(out)


def later_head(head: Head, sheet: Sheet) -> str:
    """The head in small on a sheet that follows, in two lines at the most."""
    room = _right_mm(sheet) - LEFT_MM - 26.0
    words = wrapped(head.short(sheet.scale.words(sheet.units)), room, 2.3, 2)
    lines = [text(LEFT_MM, 6.0 + 3.2 * i, part, 2.3) for i, part in enumerate(words)]
    return "".join([*lines, _number(sheet, 6.0)])


def _number(sheet: Sheet, y: float) -> str:
    words = f"sheet {sheet.index + 1} of {sheet.count}"
    return text(_right_mm(sheet), y, words, 3.2, "end")


def _right_mm(sheet: Sheet) -> float:
    """Right end of a head: on a roll in one piece it is read at the beginning."""
    return min(sheet.width_mm, WIDTH_MM) - RIGHT_MM


def _scales(sheet: Sheet, pens: Sequence[Pen]) -> list[tuple[str, str]]:
    rows = [("Paper", sheet.scale.words(sheet.units))]
    drawn = [f"{p.name}: {p.scale_words(sheet.units)}" for p in pens if p.draws]
    rows.append(("Pens", "; ".join(drawn) if drawn else "none"))
    missing = [f"{p.name} ({p.why_none or 'no data'})" for p in pens if not p.draws]
    return [*rows, ("Not drawn", "; ".join(missing))] if missing else rows


def _route(run: LoadedRun) -> str:
    """From where to where, and the table."""
    if run.route is None:
        return from_and_to(run) or "not placed on a route"
    between = from_and_to(run)
    return f"{between} ({table_of(run)})" if between else table_of(run)
