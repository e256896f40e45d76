"""The crew's answers to doubts: why a record is right all the same, kept beside the run."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from recorder.analysis.plausibility.doubt import Checked, DoubtKind
from recorder.machine.version import software
from recorder.run_file.companion.companion import Companion, companion_path

if TYPE_CHECKING:
    from recorder.analysis.campaign.loaded_run import LoadedRun
    from recorder.run_file.hdf5.reader import RunFile

__all__ = [
    "ANSWERS",
    "answered",
    "keep_answers",
    "kept_answers",
    "read_answers",
    "with_answers",
]

ANSWERS: Final = "doubts answered"
"""Name of the result in the companion."""


def read_answers(texts: Iterable[str]) -> dict[DoubtKind, str]:
    """Read ``KIND=REASON`` each.

    Raises
    ------
    ValueError
        No such kind, or no reason; one line.
    """
    out = {}
    for text in texts:
        kind, _, reason = text.partition("=")
        out[_kind(kind.strip())] = _reason(text, reason)
    return out


def _kind(text: str) -> DoubtKind:
    if text not in set(DoubtKind):
        msg = f"answer to {text!r}: no such doubt; give KIND=REASON with {', '.join(DoubtKind)}"
        raise ValueError(msg)
    return DoubtKind(text)


def _reason(text: str, reason: str) -> str:
    held = " ".join(reason.split())
    if not held:
        msg = f"answer {text!r}: the reason is missing; give KIND=REASON"
        raise ValueError(msg)
    return held


def kept_answers(run: RunFile) -> dict[DoubtKind, str]:
    """The newest answers kept beside a run; none when there are none.

    Raises
    ------
    ValueError
        What is kept does not read.
    """
    kept = run.companion.result(ANSWERS)
    if kept is None:
        return {}
    try:
        return {_kind(str(k)): _reason(str(k), str(v)) for k, v in kept.data.items()}
    except (AttributeError, ValueError) as error:
        msg = f"{run.companion.path}: answers to doubts kept there do not read ({error})"
        raise ValueError(msg) from error


def answered(
    checks: Iterable[Checked], answers: Mapping[DoubtKind, str]
) -> tuple[Checked, ...]:
    """The checks, each doubt with the answer to its kind."""
    return tuple(
        c
        if c.doubt is None
        else replace(
            c, doubt=replace(c.doubt, answer=answers.get(c.doubt.kind, c.doubt.answer))
        )
        for c in checks
    )


def with_answers(run: LoadedRun, answers: Mapping[DoubtKind, str]) -> LoadedRun:
    """The run with further answers; one to a doubt that nobody has is noted."""
    raised = {d.kind for d in run.doubts}
    idle = [
        f"{run.name}: an answer to {kind!s} was given, but it is not doubted"
        for kind in answers
        if kind not in raised
    ]
    return replace(run, checks=answered(run.checks, answers), notes=(*run.notes, *idle))


def keep_answers(runs: Sequence[LoadedRun], *, by: str) -> None:
    """Keep each run's answers in its companion, so that the next report finds them.

    Raises
    ------
    CompanionError, OSError
        The companion cannot be written.
    """
    for run in runs:
        answers = {str(d.kind): d.answer for d in run.doubts if d.answer}
        of_run = run.provenance
        companion = Companion(
            companion_path(of_run.path), run.run_id, of_run.description.digest
        )
        kept = companion.result(ANSWERS)
        if answers and (kept is None or answers != kept.data):
            companion.set_result(ANSWERS, answers, by=by, version=software())
