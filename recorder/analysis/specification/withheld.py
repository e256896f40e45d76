"""No verdict rests on a record that is doubted: not the whole's, not a band's, not a part's."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from recorder.analysis.specification.overall import in_view_of_doubts
from recorder.analysis.specification.verdicts import StartingVerdict, Verdict

if TYPE_CHECKING:
    from recorder.analysis.plausibility.doubt import Doubt
    from recorder.analysis.specification.bands import Band
    from recorder.analysis.specification.conditions import Conditions, PartVerdict

__all__ = ["withheld_bands", "withheld_conditions", "withheld_starting"]

_TOLD: Final = frozenset({Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.CANNOT_TELL})
_STARTED: Final = frozenset({StartingVerdict.MEETS, StartingVerdict.NOT_SHOWN})


def withheld_bands(bands: Sequence[Band], doubts: Iterable[Doubt]) -> tuple[Band, ...]:
    """The bands, their verdicts withheld while a doubt stands; figures stay."""
    if not any(d.stands for d in doubts):
        return tuple(bands)
    return tuple(
        replace(b, verdict=Verdict.DOUBTED) if b.verdict in _TOLD else b for b in bands
    )


def withheld_starting(verdict: StartingVerdict, doubts: Iterable[Doubt]) -> StartingVerdict:
    """The verdict on the starting pull, withheld while a doubt stands."""
    if verdict in _STARTED and any(d.stands for d in doubts):
        return StartingVerdict.DOUBTED
    return verdict


def withheld_conditions(
    conditions: Conditions, doubts: Mapping[str, Sequence[Doubt]]
) -> Conditions:
    """The parts of a campaign, each in view of the doubts (by name of the run) of its own runs."""
    return replace(
        conditions,
        by_run=tuple(_part(p, doubts) for p in conditions.by_run),
        by_rail=tuple(_part(p, doubts) for p in conditions.by_rail),
    )


def _part(part: PartVerdict, doubts: Mapping[str, Sequence[Doubt]]) -> PartVerdict:
    own = [d for run in part.runs for d in doubts.get(run, ())]
    return replace(
        part,
        overall=in_view_of_doubts(part.overall, own),
        bands=withheld_bands(part.bands, own),
    )
