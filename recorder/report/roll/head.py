"""The head of a chart roll: whose trace it is, taken when and where, with what, at which scales."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final
from zoneinfo import ZoneInfo

from calibration.certificates.force import ForceCertificate
from calibration.certificates.wheel import WheelCertificate
from calibration.quantities.sentence import amount, say
from recorder.report.roll.edge import passed
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
    from collections.abc import Iterator

    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.report.pages.shown_units import ShownUnits
    from recorder.report.roll.pens import Pen
    from recorder.sheets import CarSheet

__all__ = ["Head", "first_head", "head_of", "later_head"]

_SIZE: Final = 2.7
_PITCH_MM: Final = 3.8
_NAME_MM: Final = 19.0
"""For the name of a row."""
_NOT_STATED: Final = "not stated"


class Head:
    """What stands at the head of a run's roll, worked out once."""

    def __init__(self, run: LoadedRun, sheet: Sheet, pens: Sequence[Pen]) -> None:
        units = sheet.units
        self._car = run.provenance.car
        self.title = run.trip.name if run.trip is not None and run.trip.name else run.name
        self._certificates = [_certificate_row(c, units) for c in _certificates(run)]
        self.columns: tuple[Sequence[tuple[str, str]], ...] = (
            [
                ("Date", _date(run, self._car)),
                ("Run", f"{run.provenance.path.name}, {run.run_id[:8]}"),
                ("Route", _route(run, sheet)),
                ("Crew", ", ".join(run.trip.crew) if run.trip is not None else ""),
            ],
            [
                ("Locomotive", _locomotive(run, units)),
                ("Train", _train(run, units)),
                ("Test car", self._car_words(run, units)),
            ],
            self._certificates or [("Certificate", "none in the run")],
            _scales(sheet, pens),
        )

    def _car_words(self, run: LoadedRun, units: ShownUnits) -> str:
        car, sheet = self._car, None if run.trip is None else run.trip.test_car
        name = "" if car is None else f"{car.name} {car.number}".strip()
        mass = None if sheet is None else sheet.mass_t
        told = [name or "name not stated"]
        told += [] if mass is None else [units.words(say(amount(mass, "t", 0)))]
        return ", ".join(told)

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
    out = [text(LEFT_MM, 9.0, f"Chart roll: {head.title}", 4.6), _number(sheet, 9.0)]
    for i, rows in enumerate(head.columns):
        y = 15.0
        for name, words in rows:
            x = LEFT_MM + i * column
            room = column - _NAME_MM - 4.0
            out.append(text(x, y, name, _SIZE).replace("<text", '<text font-style="italic"'))
            spare = max(1, int((HEAD_MM - y) // _PITCH_MM) + 1)
            for part in wrapped(words or _NOT_STATED, room, _SIZE, min(3, spare)):
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


def _date(run: LoadedRun, car: CarSheet | None) -> str:
    """The day as the trip sheet has it, and when the run began; how little of that is known."""
    clock = run.provenance.description.clock
    zone = car.time_zone if car is not None else "UTC"
    began = datetime.fromtimestamp(run.provenance.header.started_utc_ns / 1e9, UTC)
    here = began.astimezone(ZoneInfo(zone))
    stated = run.trip.date if run.trip is not None else None
    day = (stated or here.date()).isoformat()
    if clock.simulated_speed is not None:
        return f"{day}; simulated time"
    if not clock.known:
        return f"{day}; time of day not known"
    return f"{day}, begun {here:%H:%M:%S} {here.tzname()}"


def _route(run: LoadedRun, sheet: Sheet) -> str:
    """From the first station or post that was passed to the last, and the table."""
    if run.route is None:
        return "not placed on a route"
    named = passed(run, sheet.x_mm)
    stations = [words for _, words, kind in named if kind == "station"]
    at = (
        stations if len(stations) > 1 else [f"milepost {w}" for _, w, k in named if k == "post"]
    )
    stated = run.trip.route if run.trip is not None else None
    table = Path(run.route.source if stated is None else stated.file).name
    if not at:
        return table
    return f"{at[0]} to {at[-1]} ({table})" if at[0] != at[-1] else f"{at[0]} ({table})"


def _locomotive(run: LoadedRun, units: ShownUnits) -> str:
    engine = None if run.trip is None else run.trip.locomotive
    if engine is None:
        return ""
    told = [engine.name] * bool(engine.name)
    told += [engine.kind] * (engine.kind != "other")
    if engine.mass_t is not None:
        told.append(units.words(say(amount(engine.mass_t, "t", 0))))
    return ", ".join(told)


def _train(run: LoadedRun, units: ShownUnits) -> str:
    consist = None if run.trip is None else run.trip.consist
    if consist is None:
        return ""
    told = [f"{c.count} {c.name or 'cars'}" for c in consist.cars]
    if consist.mass_t is not None:
        told.append(units.words(say(amount(consist.mass_t, "t", 0))))
    if consist.length_m is not None:
        told.append(units.words(say(amount(consist.length_m, "m", 0))))
    return ", ".join(told)


def _certificates(run: LoadedRun) -> Iterator[ForceCertificate | WheelCertificate]:
    """Of cells and wheels, each once."""
    for found in {c.certificate_id: c for c in run.provenance.certificates.values()}.values():
        if isinstance(found, ForceCertificate | WheelCertificate):
            yield found


def _certificate_row(
    held: ForceCertificate | WheelCertificate, units: ShownUnits
) -> tuple[str, str]:
    """Number, U and last day."""
    last = "no last day" if held.expires is None else f"last day {held.expires.isoformat()}"
    if isinstance(held, WheelCertificate):
        share = 200.0 * held.u_circumference_m / held.circumference_m
        return "Wheel", f"certificate {held.certificate_id}, U {share:.2g} % (95 %), {last}"
    table = held.uncertainty
    u_kN = table.standard_kN[-1] * table.coverage_factor[-1]
    words = say("U ", amount(u_kN, "kN", digits=2), " at ", amount(table.force_kN[-1], "kN", 0))
    return (
        "Load cell",
        f"certificate {held.certificate_id}, {units.words(words)} (95 %), {last}",
    )
