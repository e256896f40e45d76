"""Notes beside a run with one bit, or one sector, other than it was written: found or harmless.

``python tests/campaigns/companion_damage.py --tries 2000 --seed 1``
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from recorder.run.parts.errors import CompanionError
from recorder.run_file.companion.companion import Companion
from recorder.run_file.companion.entries import Binding
from recorder.run_file.companion.salvage import salvage
from tests.recorder.made_runs import mark

SECTOR = 512
BINDING = Binding("run-1", "sha256:" + "1" * 64)


@dataclass(frozen=True, slots=True)
class Harm:
    """Some bytes that are another's."""

    at: int
    mask: bytes
    """Exclusive-ored over what is there."""
    zeroed: bool = False


def harms(chance: random.Random, size: int, n: int) -> Iterator[Harm]:
    """Half of them one bit, the others one sector, of noise or of zeros."""
    for i in range(n):
        if i % 2 == 0:
            yield Harm(chance.randrange(size), bytes([1 << chance.randrange(8)]))
        else:
            at = chance.randrange(size // SECTOR) * SECTOR
            yield Harm(at, chance.randbytes(SECTOR), zeroed=i % 4 == 1)


def harmed(whole: bytes, harm: Harm) -> bytes:
    """A file with that harm done to it."""
    end = harm.at + len(harm.mask)
    was = whole[harm.at : end]
    noise = bytes(a ^ b for a, b in zip(was, harm.mask, strict=False))
    bad = bytes(len(was)) if harm.zeroed else noise
    return whole[: harm.at] + bad + whole[end:]


def told(path: Path) -> list[object]:
    """All that a companion says."""
    held = Companion(path, BINDING.run_id, BINDING.digest)
    return [held.revisions(), held.results(), [held.history(f"result {i}") for i in range(9)]]


def made(path: Path) -> None:
    """A dozen entries, as after some days of work on a run."""
    held = Companion(path, BINDING.run_id, BINDING.digest)
    for i in range(9):
        data = {"text": "x" * 600 * i, "n": i}
        held.set_result(f"result {i}", data, by="A. Crew", version="1")
        held.add_revision(mark(1.0 + i))


def tried(tries: int, seed: int) -> Counter[str]:
    """How each harm ended; raises ``AssertionError`` for one that passed and was not harmless."""
    chance = random.Random(seed)
    ends: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.h5.notes"
        made(path)
        whole, kept = path.read_bytes(), told(path)
        sound = {entry.row for entry in salvage(path, BINDING).entries}
        for harm in harms(chance, len(whole), tries):
            path.write_bytes(harmed(whole, harm))
            why = ""
            try:
                assert told(path) == kept, harm
            except CompanionError as error:
                why = str(error)
            if not why:
                ends["harmless"] += 1
                continue
            assert why.startswith(str(path)), harm
            ends["refused by name"] += 1
            ends["entries had back of those refused"] += had(path, sound)
            ends["entries of those refused"] += len(sound)
    return ends


def had(path: Path, sound: set[tuple[object, ...]]) -> int:
    """How many entries are had of a file that is refused, each as it was kept."""
    try:
        found = salvage(path, BINDING).entries
    except CompanionError:
        return 0
    columns = {row[:-1] for row in sound}
    assert {entry.row[:-1] for entry in found} <= columns
    return len(found)


def main() -> int:
    """Try, and print the counts."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tries", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    for end, n in tried(args.tries, args.seed).items():
        sys.stdout.write(f"{n:8,} {end}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
