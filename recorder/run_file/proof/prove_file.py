"""Everything that a sealed run file can prove of itself, in order; one door."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from recorder.run.parts.errors import RunFileError
from recorder.run_file.proof.certificates import prove_certificates
from recorder.run_file.proof.gaps import prove_gaps
from recorder.run_file.proof.held import open_held
from recorder.run_file.proof.marks import prove_marks
from recorder.run_file.proof.proof import Check, Proof, State
from recorder.run_file.proof.records import prove_records
from recorder.run_file.proof.ticks import prove_ticks
from recorder.run_file.proof.utc import prove_utc
from recorder.run_file.proof.values import prove_values
from recorder.run_file.seal.verify import verify_run

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from recorder.run_file.proof.held import Held
    from recorder.run_file.proof.proof import Progress

__all__ = ["prove_file"]

DIGESTS_PART: Final = 0.35
"""Share of the whole work that reading every byte twice is, of a run of twelve hours."""

CHECKS: Final[tuple[tuple[Check, float, Callable[..., Iterator[Proof]]], ...]] = (
    (Check.GAPS, 0.1, prove_gaps),
    (Check.RECORDS, 0.05, prove_records),
    (Check.TICKS, 0.15, prove_ticks),
    (Check.UTC, 0.02, prove_utc),
    (Check.VALUES, 0.3, prove_values),
    (Check.MARKS, 0.01, prove_marks),
    (Check.CERTIFICATES, 0.02, prove_certificates),
)
"""Each check with its share of the whole work."""


def prove_file(path: Path | str, *, progress: Progress | None = None) -> list[Proof]:
    """Every check of a run file but plausibility, which needs the run loaded.

    What is damaged is not worked on: after a wrong digest the other checks are told as not done.

    Raises
    ------
    FileNotFoundError, OSError
        There is none, or it may not be read.
    RunFileError
        Not a run file at all, or of a newer layout.
    """
    tell = progress or (lambda _part, _what: None)
    findings = verify_run(path, progress=lambda part, what: tell(DIGESTS_PART * part, what))
    if findings:
        damage = [
            Proof(check=Check.DIGESTS, state=State.CONTRADICTED, words=line)
            for line in findings
        ]
        why = "not looked at: what is damaged or not sealed is not worked on"
        return [*damage, *(_not_done(check, why) for check, _, _ in CHECKS)]
    words = "every byte and every dataset is what was sealed; the companion reads"
    proofs = [Proof(check=Check.DIGESTS, state=State.PROVED, words=words)]
    done = DIGESTS_PART
    with open_held(Path(path)) as held:
        for check, share, prove in CHECKS:
            proofs += _guarded(check, prove, held, partial(_step, tell, done, share, check))
            done += share
    return proofs


def _step(tell: Progress, done: float, share: float, check: Check, part: float) -> None:
    tell(done + share * part, check)


def _guarded(
    check: Check,
    prove: Callable[..., Iterator[Proof]],
    held: Held,
    progress: Callable[[float], None],
) -> list[Proof]:
    """One check; what it cannot read is told in its place and takes no other check down."""
    proofs: list[Proof] = []
    try:
        progress(0.0)
        proofs.extend(prove(held, progress))
    except RunFileError as error:
        proofs.append(_not_done(check, f"it cannot be read: {error}"))
    return proofs


def _not_done(check: Check, why: str) -> Proof:
    return Proof(check=check, state=State.NOT_PROVED, words=why)
