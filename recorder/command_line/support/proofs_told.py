"""What was proved of a run, told on the command line."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, Final

from calibration.quantities.printable import one_line
from recorder.command_line.support.doubts_told import doubts_json
from recorder.run_file.proof.parts.proof import Check, State

if TYPE_CHECKING:
    from recorder.analysis.proof.prove import Proven

__all__ = ["proofs_json", "proofs_words"]

HEADINGS: Final = {
    State.PROVED: "Proved",
    State.NOT_PROVED: "Could not be proved",
    State.CONTRADICTED: "Contradicted",
}
"""In the order told: what matters most stands last but one, nearest to the prompt."""
BEYOND: Final = "What nobody can prove from the file alone"


def proofs_words(proven: Proven) -> Iterator[str]:
    """Lines for a terminal: a heading for each state, one line a proof, and the answer."""
    for state, heading in HEADINGS.items():
        if lines := [proof.line for proof in proven.of(state)]:
            yield heading
            yield from (f"  {one_line(line)}" for line in lines)
    yield BEYOND
    yield from (f"  {one_line(line)}" for line in proven.beyond)
    found = len(proven.of(State.CONTRADICTED))
    said = (
        f"{found} contradiction{'' if found == 1 else 's'}"
        if found
        else "nothing contradicts it"
    )
    yield f"{proven.path}: {said}"


def proofs_json(proven: Proven) -> dict[str, Any]:
    """The same for programs; ``findings`` are those of the digests alone, as without --deep."""
    digests = [p.words for p in proven.of(State.CONTRADICTED) if p.check is Check.DIGESTS]
    return {
        "file": str(proven.path),
        "sound": not digests,
        "findings": digests,
        "contradicted": proven.contradicted,
        "proofs": [asdict(proof) for proof in proven.proofs],
        "beyond": list(proven.beyond),
        "checks": [
            {"name": c.name, "state": c.state, "outcome": c.outcome} for c in proven.checks
        ],
        "doubts": doubts_json(c.doubt for c in proven.checks if c.doubt is not None),
    }
