"""Everything that a sealed run file can prove of itself, in order; one door."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Final

from recorder.run.parts.errors import RunFileError, UnreadableError
from recorder.run.parts.progress import untold
from recorder.run_file.proof.kept.certificates import prove_certificates
from recorder.run_file.proof.kept.events import prove_events
from recorder.run_file.proof.kept.header import prove_header
from recorder.run_file.proof.kept.marks import prove_marks
from recorder.run_file.proof.kept.reads import prove_reads
from recorder.run_file.proof.made.health import prove_health
from recorder.run_file.proof.made.overviews import prove_overviews
from recorder.run_file.proof.made.ticks import prove_ticks
from recorder.run_file.proof.made.utc import prove_utc
from recorder.run_file.proof.made.values import prove_values
from recorder.run_file.proof.parts.held import open_held
from recorder.run_file.proof.parts.proof import Check, Proof, State
from recorder.run_file.proof.records.counts import prove_records
from recorder.run_file.proof.records.gaps import prove_gaps
from recorder.run_file.proof.records.sentences import prove_sentences
from recorder.run_file.seal.verify import verify_run

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from recorder.run.parts.progress import Progress
    from recorder.run_file.proof.parts.held import Held

__all__ = ["prove_file"]

DIGESTS_PART: Final = 0.3
"""Share of the whole work that reading every byte twice is, of a run of twelve hours."""

CHECKS: Final[tuple[tuple[Check, float, Callable[..., Iterator[Proof]]], ...]] = (
    (Check.READS, 0.01, prove_reads),
    (Check.HEADER, 0.01, prove_header),
    (Check.GAPS, 0.08, prove_gaps),
    (Check.RECORDS, 0.04, prove_records),
    (Check.SENTENCES, 0.03, prove_sentences),
    (Check.TICKS, 0.12, prove_ticks),
    (Check.UTC, 0.02, prove_utc),
    (Check.HEALTH, 0.05, prove_health),
    (Check.VALUES, 0.2, prove_values),
    (Check.OVERVIEWS, 0.11, prove_overviews),
    (Check.EVENTS, 0.01, prove_events),
    (Check.MARKS, 0.01, prove_marks),
    (Check.CERTIFICATES, 0.01, prove_certificates),
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
    tell = progress or untold
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
            step = partial(_step, tell, done, share, check)
            proofs += _guarded(check, prove, held, step, proofs)
            done += share
        return [_unless_followed(held, proof, proofs) for proof in proofs]


def _unless_followed(held: Held, proof: Proof, proofs: list[Proof]) -> Proof:
    """An overview of times or values that are contradicted themselves shows nothing more."""
    if proof.check is not Check.OVERVIEWS or proof.state is not State.CONTRADICTED:
        return proof
    devices = [d.name for d in held.header.devices if proof.of in {c.name for c in d.channels}]
    for other in proofs:
        first = other.check is Check.TICKS and other.of in devices
        if other.state is State.CONTRADICTED and (
            first or (other.check is Check.VALUES and other.of == proof.of)
        ):
            words = (
                f"it is not that of the {'times' if first else 'values'}, contradicted above"
            )
            return replace(proof, state=State.NOT_PROVED, words=words)
    return proof


def _step(tell: Progress, done: float, share: float, check: Check, part: float) -> None:
    tell(done + share * part, check)


def _guarded(
    check: Check,
    prove: Callable[..., Iterator[Proof]],
    held: Held,
    progress: Callable[[float], None],
    before: list[Proof],
) -> list[Proof]:
    """One check; what goes wrong in it, a fault of ours among it, is told in its place and takes
    no other check down. What does not read in a sealed file contradicts it, and is told as that
    once."""
    proofs: list[Proof] = []
    try:
        progress(0.0)
        proofs.extend(prove(held, progress))
    except UnreadableError as error:
        known = any(p.state is State.CONTRADICTED and error.words in p.words for p in before)
        state = State.NOT_PROVED if known else State.CONTRADICTED
        above = " (contradicted above)" if known else ""
        words = f"it cannot be read: {error.words}{above}"
        proofs.append(Proof(check=check, state=state, words=words))
    except RunFileError as error:
        proofs.append(_not_done(check, f"it cannot be read: {error}"))
    except (OSError, MemoryError):
        raise
    except Exception as bug:  # noqa: BLE001 - told in its place; the other checks must still be made
        why = " ".join(str(bug).split()) or "no words"
        proofs.append(
            _not_done(check, f"a fault of the check itself: {type(bug).__name__}: {why}")
        )
    return proofs


def _not_done(check: Check, why: str) -> Proof:
    return Proof(check=check, state=State.NOT_PROVED, words=why)
