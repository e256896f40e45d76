"""Every kind of file and message otherwise than it was written, check sums made anew.

``python tests/campaigns/fuzz/fuzz_files.py --tries 100000 --seed 1`` prints what was found. A
reader ends in success or in the error it declares, within seconds; anything else is a finding.
"""

from __future__ import annotations

import argparse
import random
import resource
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import NoReturn

from tests.campaigns.fuzz.file_kinds import Kind, file_kinds
from tests.campaigns.fuzz.sealed_kinds import sealed_kinds

__all__ = ["fuzz"]

LONGEST_S = 10


class OvertimeError(BaseException):
    """A reader took too long."""


def _overtime(_signal: int, _frame: FrameType | None) -> NoReturn:
    raise OvertimeError


def tried(kind: Kind, made: object) -> str | None:
    """What is wrong with how a reader ended; None when nothing is."""
    signal.alarm(LONGEST_S)
    try:
        kind.read(made)
    except kind.errors as error:
        words = str(error)
        return None if words.strip() else f"says nothing: {type(error).__name__}"
    except BaseException as error:  # noqa: BLE001 - each is a finding
        frames = traceback.extract_tb(error.__traceback__)
        ours = [f for f in frames if "/tests/" not in f.filename][-2:]
        where = " < ".join(
            f"{Path(f.filename).name}:{f.lineno} {f.name}" for f in reversed(ours)
        )
        return f"{type(error).__name__}: {str(error)[:150]} at {where}"
    finally:
        signal.alarm(0)
    return None


def fuzz(
    folder: Path, tries: int, seed: int, only: str = "", tell: Callable[[str], object] = len
) -> Counter[str]:
    """Try so many inputs, of every kind its share; ``tell`` hears of each finding once."""
    signal.signal(signal.SIGALRM, _overtime)
    every = [*file_kinds(folder), *sealed_kinds(folder)]
    kinds = [k for k in every if only in k.name]
    share = sum(k.share for k in kinds)
    counts: Counter[str] = Counter()
    told: set[str] = set()
    for kind in kinds:
        chance = random.Random(f"{seed} {kind.name}")
        began = time.monotonic()
        for _ in range(max(round(tries * kind.share / share), 1)):
            wrong = tried(kind, kind.make(chance))
            counts[kind.name] += 1
            if wrong is not None:
                counts["findings"] += 1
                if (brief := f"{kind.name}: {wrong.rpartition(' at ')[2]}") not in told:
                    told.add(brief)
                    tell(f"{kind.name}: {wrong}\n")
        tell(f"-- {kind.name} {counts[kind.name]:,} in {time.monotonic() - began:.0f} s\n")
    return counts


def _main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tries", type=int, default=100_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="")
    args = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_AS, (6 * 2**30, 6 * 2**30))
    with tempfile.TemporaryDirectory() as name:
        counts = fuzz(Path(name), args.tries, args.seed, args.only, sys.stdout.write)
    sys.stdout.write(f"{sum(counts.values()) - counts['findings']:,} inputs: {dict(counts)}\n")
    return 1 if counts["findings"] else 0


if __name__ == "__main__":
    sys.exit(_main())
