"""Run files with one bit, or one sector, other than they were written: refused by name.

``python tests/campaigns/fuzz/run_file_damage.py --tries 800 --seed 1``: of a sealed file every harm
is found, by ``verify`` and by whoever works from the run; an unsealed one opens or is refused.
"""

from __future__ import annotations

import argparse
import random
import signal
import sys
import tempfile
from collections import Counter
from pathlib import Path
from types import FrameType
from typing import NoReturn

from recorder.exchange.description import describe, in_words
from recorder.run.parts.errors import RunFileError
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.digest_check import refuse_damaged
from recorder.run_file.seal.verify import verify_run
from recorder.sheets.errors import SheetError
from tests.recorder.made_runs import made_run
from tests.recorder.run_file.proof.honest_run import sealed_as

__all__ = ["damage"]

SECTOR = 512
LONGEST_S = 30
REFUSED = (RunFileError, SheetError, OSError)


class OvertimeError(BaseException):
    """Reading took too long."""


def _overtime(_signal: int, _frame: FrameType | None) -> NoReturn:
    raise OvertimeError


def harmed(chance: random.Random, whole: bytes) -> bytes:
    """One bit flipped, or one sector of zeros or of noise."""
    data = bytearray(whole)
    if chance.random() < 0.5:
        data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
    else:
        at = chance.randrange(len(data) // SECTOR) * SECTOR
        other = bytes(SECTOR) if chance.random() < 0.5 else chance.randbytes(SECTOR)
        data[at : at + SECTOR] = other[: len(data) - at]
    return bytes(data)


def _read(path: Path) -> str:
    """How a person finds the file: read, or refused."""
    try:
        with open_run(path) as run:
            in_words(describe(run))
            for channel in run.channels.values():
                channel.values()
            run.revisions(), run.gaps(), run.events()
    except REFUSED as error:
        return "refused" if str(error).strip() else "refused without a word"
    return "read"


def _sealed(path: Path) -> str:
    try:
        findings = verify_run(path)
    except REFUSED as error:
        findings = [str(error)]
    try:
        refuse_damaged(path)
    except REFUSED:
        return "found" if findings else "not found by verify"
    return "worked from"


def damage(folder: Path, tries: int, seed: int) -> tuple[Counter[str], list[str]]:
    """Do so much harm, half of it to a sealed run; counts, and what should not have been."""
    signal.signal(signal.SIGALRM, _overtime)
    chance = random.Random(seed)
    run = made_run(3.0)
    run.filed(folder / "unsealed.h5")
    (folder / "sealed").mkdir()
    wholes = {
        "sealed": sealed_as(run, folder / "sealed" / "run.h5").read_bytes(),
        "unsealed": (folder / "unsealed.h5").read_bytes(),
    }
    path = folder / "tried.h5"
    counts: Counter[str] = Counter()
    wrong = []
    for i in range(tries):
        kind = ("sealed", "unsealed")[i % 2]
        if (data := harmed(chance, wholes[kind])) == wholes[kind]:
            counts["same bytes"] += 1
            continue
        path.write_bytes(data)
        signal.alarm(LONGEST_S)
        try:
            ended = (_sealed(path) if kind == "sealed" else "", _read(path))
        except BaseException as error:  # noqa: BLE001 - each is a finding
            ended = ("raised", f"{type(error).__name__}: {str(error)[:200]}")
        finally:
            signal.alarm(0)
        counts[f"{kind} {' '.join(ended).strip()}"] += 1
        if ended[0] not in ("", "found") or ended[1] not in ("read", "refused"):
            wrong.append(f"{kind} {i}: {ended}")
    return counts, wrong


def _main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tries", type=int, default=800)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        counts, wrong = damage(Path(name), args.tries, args.seed)
    sys.stdout.write("".join(f"{line}\n" for line in wrong) + f"{dict(counts)}\n")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(_main())
