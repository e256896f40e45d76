"""Every proof of a run, in order; one door."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from calibration.quantities.printable import error_line
from recorder.analysis.campaign.loading import load_runs
from recorder.analysis.plausibility.doubt import CheckState
from recorder.analysis.proof.beyond import beyond_of
from recorder.analysis.proof.clocks import prove_clocks
from recorder.exchange.time_told import clock_of
from recorder.run.parts.errors import UnreadableError
from recorder.run.parts.progress import untold
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.proof.parts.proof import Check, Proof, State
from recorder.run_file.proof.whole.prove_file import prove_file

if TYPE_CHECKING:
    from collections.abc import Iterable

    from recorder.analysis.plausibility.doubt import Checked
    from recorder.run.parts.progress import Progress

__all__ = ["Proven", "prove_run"]

FILE_PART: Final = 0.85
"""Share of the whole work that the file's own proofs are, of a run of twelve hours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Proven:
    """What was proved of one run file, what was not, and what cannot be."""

    path: Path
    proofs: tuple[Proof, ...]
    beyond: tuple[str, ...]
    """What nobody can prove from the file alone, one line each."""
    checks: tuple[Checked, ...] = ()
    """Of plausibility, with the crew's answers."""

    def of(self, state: State) -> list[Proof]:
        """The proofs of one state, in order."""
        return [proof for proof in self.proofs if proof.state is state]

    @property
    def contradicted(self) -> bool:
        """Whether anything contradicts the file."""
        return bool(self.of(State.CONTRADICTED))

    @property
    def as_sealed(self) -> bool:
        """Whether every byte is as it was sealed."""
        return _as_sealed(self.proofs)


def _as_sealed(proofs: Iterable[Proof]) -> bool:
    return all(p.state is State.PROVED for p in proofs if p.check is Check.DIGESTS)


def prove_run(path: Path | str, *, progress: Progress | None = None) -> Proven:
    """Prove all that can be proved of a run file.

    Raises
    ------
    FileNotFoundError, OSError
        There is none, or it may not be read.
    RunFileError
        Not a run file at all, or of a newer layout.
    """
    place = Path(path)
    tell = progress or untold
    proofs = prove_file(place, progress=lambda part, what: tell(FILE_PART * part, what))
    if not _as_sealed(proofs):
        why = "not looked at: what is damaged or not sealed is not worked on"
        whole = (*proofs, _plausibility(State.NOT_PROVED, why))
        return Proven(path=place, proofs=whole, beyond=beyond_of(None))
    tell(FILE_PART, Check.PLAUSIBILITY)
    try:
        with open_run(place) as run:
            beyond, clocks = beyond_of(run), prove_clocks(clock_of(run))
    except UnreadableError as error:
        beyond, clocks = beyond_of(None), _unread(Check.CLOCKS, error, proofs)
    proofs = [*proofs, clocks]
    try:
        loaded = load_runs([place])[0]
    except UnreadableError as error:
        whole = (*proofs, _unread(Check.PLAUSIBILITY, error, proofs))
        return Proven(path=place, proofs=whole, beyond=beyond)
    except (ValueError, OSError) as error:
        why = f"the run cannot be loaded: {error_line(error)}"
        whole = (*proofs, _plausibility(State.NOT_PROVED, why))
        return Proven(path=place, proofs=whole, beyond=beyond)
    plausible = map(_judged, loaded.checks)
    tell(1.0, "proved")
    return Proven(
        path=place,
        proofs=(*proofs, *plausible),
        beyond=beyond,
        checks=loaded.checks,
    )


def _unread(check: Check, error: UnreadableError, before: list[Proof]) -> Proof:
    """What does not read in a sealed file contradicts it, unless something has already."""
    known = any(proof.state is State.CONTRADICTED for proof in before)
    state = State.NOT_PROVED if known else State.CONTRADICTED
    return Proof(check=check, state=state, words=f"the run cannot be read: {error.words}")


def _judged(checked: Checked) -> Proof:
    """A check of plausibility as a proof."""
    doubt = checked.doubt
    if doubt is None:
        state = State.PROVED if checked.state is CheckState.PASSED else State.NOT_PROVED
        return _plausibility(state, checked.outcome, checked.name)
    state = State.CONTRADICTED if doubt.stands else State.NOT_PROVED
    said = f" (answered: {doubt.answer})" if doubt.answer else ""
    return _plausibility(state, f"doubted ({doubt.kind}): {doubt.text}{said}", checked.name)


def _plausibility(state: State, words: str, of: str = "") -> Proof:
    return Proof(check=Check.PLAUSIBILITY, of=of, state=state, words=words)
