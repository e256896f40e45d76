"""The title block: what was tried, where, when, with what and by whom; what nobody stated says so,
with the key that states it.
"""

from __future__ import annotations

from itertools import chain
from typing import TYPE_CHECKING, Final

from recorder.machine.version import software
from recorder.report.pages.document import TitleBlock
from recorder.report.particulars.days import day_of, when_words
from recorder.report.particulars.people import crew_words
from recorder.report.particulars.places import from_and_to, table_of
from recorder.report.particulars.vehicles import car_words, locomotive_words, train_words
from recorder.report.particulars.worth import cell_worth, wheel_worth

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
    trip = answer.trip
    engine = trip.locomotive.name if trip is not None else ""
    return f"Drawbar trial of {engine}" if engine else "Drawbar trial"


def title_block(answer: CampaignAnswer, naming: Naming) -> TitleBlock:
    """All rows of the title block."""
    trip, runs = answer.trip, [run.loaded for run in answer.runs]
    engine = None if trip is None else trip.locomotive
    car = runs[0].provenance.car
    rows = [
        ("Report number", _number_words(answer)),
        ("Trial", trip.name if trip is not None and trip.name else "not named"),
        ("Object", object_words(answer)),
        ("Line", _line(trip, runs)),
        ("From, to", _each(runs, naming, from_and_to, _key("from, to"))),
        ("Date and time", _each(runs, naming, when_words, "")),
        ("Locomotive", locomotive_words(engine, naming.units)),
        ("Test car", car_words(car, trip, naming.units)),
        ("Train", train_words(trip, naming.units)),
        ("Crew", crew_words(trip, chain.from_iterable(r.marks for r in runs))),
        ("Load cell", _each(runs, naming, lambda r: cell_worth(r, naming.units), "")),
        ("Measuring wheel", _each(runs, naming, wheel_worth, "")),
        ("Runs", "; ".join(_run_file(run, naming) for run in runs)),
        ("Edition and program", f"{naming.units.name} units; {software()}"),
    ]
    return TitleBlock(rows=tuple(rows))


def report_number(answer: CampaignAnswer) -> str:
    """As the trip sheet states it, else made of day and run."""
    trip = answer.trip
    if trip is not None and trip.paper.report_number:
        return trip.paper.report_number
    first = answer.runs[0].loaded
    return f"{day_of(first)}-{first.run_id[:SHORT_ID]}"


def _number_words(answer: CampaignAnswer) -> str:
    """The number; of one that nobody stated, how it was made."""
    trip, number = answer.trip, report_number(answer)
    if trip is not None and trip.paper.report_number:
        return number
    return f"{number} (made of day and run; another: {_key('report_number')})"


def object_words(answer: CampaignAnswer) -> str:
    """What is tried, and against what."""
    trip = answer.trip
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
    tables = dict.fromkeys(table_of(r) for r in runs if r.route is not None)
    of_table = f"; route table {', '.join(tables)}" if tables else "; no route table"
    return f"not stated ({_key('line')}){of_table}"


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
