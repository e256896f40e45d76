"""The title block: what was tried, where, when, with what and by whom; what nobody stated says so,
with the key that states it.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from recorder.machine.version import software
from recorder.report.opening.places import from_and_to
from recorder.report.opening.vehicles import car_words, locomotive_words, train_words
from recorder.report.opening.worth import cell_worth, wheel_worth
from recorder.report.pages.document import TitleBlock

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from recorder.analysis.campaign.answer import CampaignAnswer
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.report.section_parts.naming import Naming
    from recorder.sheets import TripSheet

__all__ = ["object_words", "report_number", "title_block", "title_of"]

SHORT_ID: Final = 8
"""Letters of a run's identity in a number that was made of it."""


def title_of(answer: CampaignAnswer) -> str:
    """``Drawbar trial of No. 61``."""
    trip = _trip(answer)
    engine = trip.locomotive.name if trip is not None else ""
    return f"Drawbar trial of {engine}" if engine else "Drawbar trial"


def title_block(answer: CampaignAnswer, naming: Naming) -> TitleBlock:
    """All rows of the title block."""
    trip, runs = _trip(answer), [run.loaded for run in answer.runs]
    engine = None if trip is None else trip.locomotive
    car = runs[0].provenance.car
    rows = [
        ("Report number", _number_words(answer)),
        ("Trial", trip.name if trip is not None and trip.name else "not named"),
        ("Object", object_words(answer)),
        ("Line", _line(trip, runs)),
        ("From, to", _each(runs, naming, from_and_to, _key("from, to"))),
        ("Date and time", _each(runs, naming, _when, _key("date"))),
        ("Locomotive", locomotive_words(engine, naming.units)),
        ("Test car", car_words(car, trip, naming.units)),
        ("Train", train_words(trip, naming.units)),
        ("Crew", _crew(trip, runs)),
        ("Load cell", _each(runs, naming, lambda r: cell_worth(r, naming.units), "")),
        ("Measuring wheel", _each(runs, naming, wheel_worth, "")),
        ("Runs", "; ".join(_run_file(run, naming) for run in runs)),
        ("Edition and program", f"{naming.units.name} units; {software()}"),
    ]
    return TitleBlock(rows=tuple(rows))


def report_number(answer: CampaignAnswer) -> str:
    """As the trip sheet states it, else made of day and run."""
    trip = _trip(answer)
    if trip is not None and trip.paper.report_number:
        return trip.paper.report_number
    first = answer.runs[0].loaded
    day = trip.date.isoformat() if trip is not None and trip.date else _began(first)[:10]
    return f"{day}-{first.run_id[:SHORT_ID]}"


def _number_words(answer: CampaignAnswer) -> str:
    """The number; of one that nobody stated, how it was made."""
    trip, number = _trip(answer), report_number(answer)
    if trip is not None and trip.paper.report_number:
        return number
    return f"{number} (made of day and run; another: {_key('report_number')})"


def object_words(answer: CampaignAnswer) -> str:
    """What is tried, and against what."""
    trip = _trip(answer)
    if trip is not None and trip.paper.object:
        return trip.paper.object
    engine = trip.locomotive.name if trip is not None else ""
    promised = trip.specification if trip is not None else None
    subject = f"Pull and power at the drawbar of {engine or 'a locomotive that is not named'}"
    if promised is None:
        return f"{subject}; nothing is specified to compare them with"
    against = f": {promised.name}" if promised.name else ""
    return f"{subject}, against what is specified{against}"


def _line(trip: TripSheet | None, runs: Sequence[LoadedRun]) -> str:
    if trip is not None and trip.paper.line:
        return trip.paper.line
    tables = dict.fromkeys(_table(r) for r in runs if r.route is not None)
    of_table = f"; route table {', '.join(tables)}" if tables else "; no route table"
    return f"not stated ({_key('line')}){of_table}"


def _table(run: LoadedRun) -> str:
    """The file's name; of the one kept in the run, as the trip sheet names it."""
    source = "" if run.route is None else Path(run.route.source).name
    sheet = None if run.trip is None else run.trip.route
    return sheet.file if sheet is not None and ": " in source else source


def _crew(trip: TripSheet | None, runs: Sequence[LoadedRun]) -> str:
    if trip is not None and trip.crew:
        return ", ".join(trip.crew)
    keyed = dict.fromkeys(m.by for r in runs for m in r.marks if m.by)
    if trip is not None and trip.operator:
        keyed = {trip.operator: None, **keyed}
    by = f"; marks were keyed by {', '.join(keyed)}" if keyed else ""
    return f"not stated ({_key('crew')}){by}"


def _when(run: LoadedRun) -> str:
    """The day, and the times of day as far as they are known."""
    clock = run.provenance.description.clock
    stated = run.trip.date.isoformat() if run.trip is not None and run.trip.date else ""
    if not clock.known or clock.u_s is None:
        day = stated or f"{_began(run)[:10]} by the {clock.source_words}"
        return f"{day}; UTC is not known"
    began, ended = _span(run)
    day = stated or began[:10]
    worth = f"to {max(2 * clock.u_s, 0.001):.2g} s (95 %) by {clock.source_words}"
    invented = "; the time is simulated" if clock.simulated_speed is not None else ""
    return f"{day}, {began[11:16]} to {ended[11:16]} UTC, known {worth}{invented}"


def _span(run: LoadedRun) -> tuple[str, str]:
    from_text = _began(run)
    try:
        began = datetime.fromisoformat(from_text.replace("Z", "+00:00"))
    except ValueError:
        return from_text, "not known"
    ended = datetime.fromtimestamp(began.timestamp() + run.duration_s, began.tzinfo)
    return began.isoformat(), ended.isoformat()


def _began(run: LoadedRun) -> str:
    return run.provenance.description.clock.began_utc


def _run_file(run: LoadedRun, naming: Naming) -> str:
    return f"{naming.letter(run.name)}: {run.provenance.path.name}, {run.run_id[:SHORT_ID]}"


def _each(
    runs: Sequence[LoadedRun],
    naming: Naming,
    words: Callable[[LoadedRun], str],
    otherwise: str,
) -> str:
    """One answer for all runs where they agree, else one by one."""
    unsaid = f"not stated ({otherwise})" if otherwise else "no certificate is in the run"
    told = {run.name: words(run) or unsaid for run in runs}
    if len(set(told.values())) == 1:
        return next(iter(told.values()))
    return "; ".join(f"run {naming.letter(name)}: {said}" for name, said in told.items())


def _key(names: str) -> str:
    """Where it would be stated: a key of the trip sheet."""
    return f"[trip] {names}"


def _trip(answer: CampaignAnswer) -> TripSheet | None:
    return next((r.loaded.trip for r in answer.runs if r.loaded.trip is not None), None)
