"""Damage to journals that were left behind: each bit or sector costs what it hit, and is told.

    python tests/campaigns/journal_damage.py --seed 1 --number 1000

Journals are made by the journal itself: with and without a log, with several checkpoints, with
rows that go on in chains of pages, ended and cut off. One place of the database or of the log is
then damaged: a bit flipped, or two to five anywhere; a number of a page that is another's, so that
a tree or a chain runs in a circle; a sector of 512 or 4,096 bytes gone to zeros or to other bytes,
two pages changed over, or the file cut short.
Each must end in one of these: all but what was hit is read back and the loss is told; nothing is
lost and nothing claimed; or a refusal that says that the journal does not read. Every tenth is
recovered as a person does it, and its exit code and the file's own words are looked at.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import random
import shutil
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Final
from unittest import mock

from recorder.command_line.main import main as command_line
from recorder.keeping import journal as journal_module
from recorder.keeping.errors import JournalError
from recorder.keeping.journal import Journal
from recorder.keeping.journal_rows import Cursor, Damage
from recorder.keeping.left_behind import LeftBehind
from recorder.run.parts.event import Event
from tests.recorder.made_runs import (
    MadeRun,
    cell_blocks,
    gnss_blocks,
    header,
    mark,
    wheel_blocks,
)

SAID: Final = "nothing lost, said that something may be"
ENDS: Final = ("", "-wal", "-shm")
WAYS: Final = (
    "bit",
    "bit",
    "bit",
    "bits",
    "pointer",
    "zeros 512",
    "zeros 4096",
    "torn 512",
    "torn 4096",
    "swap",
    "cut",
)
PAGE: Final = 16_384
SMALLEST_ROW: Final = 120
"""Bytes of the smallest row of these journals: bounds how many a sector can hold."""


@dataclass
class Whole:
    """A journal as it was left, and all that is in it."""

    name: str
    files: dict[str, bytes]
    rows: dict[tuple[str, object], object]


def whole_journals(folder: Path) -> Iterator[Whole]:
    """One journal of each sort."""
    for name, seconds, size, checkpoint, closed in (
        ("database and log", 8.0, 4, 400_000, False),
        ("long rows", 12.0, 200, 2**20, False),
        ("ended", 6.0, 4, 2**30, True),
        ("only a log", 4.0, 4, 2**30, False),
        ("long rows, ended", 12.0, 200, 2**20, True),
    ):
        place = folder / name.replace(" ", "_")
        place.mkdir()
        with mock.patch.object(journal_module, "CHECKPOINT_BYTES", checkpoint):
            whole = _left(place, name, seconds, size, closed=closed)
        yield whole


def _left(place: Path, name: str, seconds: float, size: int, *, closed: bool) -> Whole:
    blocks = [*cell_blocks(seconds), *wheel_blocks(seconds), *gnss_blocks(seconds)]
    run = MadeRun(header=header(), blocks=blocks)
    journal = Journal.create(place / "j", run.header, ballast_bytes=4096)
    word = "a word of the crew " * 5
    for i, commit in enumerate(run.commits(size)):
        t_s = max(block.received_s for block in commit)
        journal.append(commit, [Event(kind="health", t_s=t_s, data={"why": word, "i": i})])
        if i % 3 == 0:
            journal.commit_mark(mark(t_s, kind="remark", value="", note=f"{word} {i}"))
    if closed:
        journal.append([], [Event(kind="stop", t_s=seconds + 0.5, data={"why": word})])
        journal.close()
    files = {
        end: (place / f"j{end}").read_bytes() for end in ENDS if (place / f"j{end}").exists()
    }
    if not closed:
        journal.close()
    (place / "whole").mkdir()
    rows, damage = read_back(_put(place / "whole", files))
    assert not damage, damage
    return Whole(name, files, rows)


def _put(place: Path, files: dict[str, bytes]) -> Path:
    for end in ENDS:
        (place / f"run.h5.journal{end}").unlink(missing_ok=True)
    for end, data in files.items():
        (place / f"run.h5.journal{end}").write_bytes(data)
    return place / "run.h5.journal"


def read_back(path: Path) -> tuple[dict[tuple[str, object], object], list[Damage]]:
    """Every row that a journal left behind gives, and what it says is lost."""
    rows: dict[tuple[str, object], object] = {}
    damage: list[Damage] = []
    cursor = Cursor()
    with LeftBehind(path) as reader:
        while found := reader.read_new(cursor):
            for batch in found.batches:
                content = batch.heads.tobytes() + batch.records.tobytes()
                rows["batches", batch.row] = hash((batch.device, batch.first_record, content))
            rows |= {("marks", (m.mark_id, m.revision)): m for m in found.marks}
            rows |= {("events", (e.kind, e.t_s)): str(e.data) for e in found.events}
            damage += found.damage
    return rows, damage


def damaged(whole: Whole, dice: random.Random) -> tuple[str, int, dict[str, bytes]]:
    """The journal with one place damaged; what was done, and to how many bytes."""
    end = dice.choice([e for e in ("", "-wal") if whole.files.get(e)])
    data = bytearray(whole.files[end])
    how = dice.choice(WAYS)
    if how == "bit":
        at, n = dice.randrange(len(data)), 1
        data[at] ^= 1 << dice.randrange(8)
    elif how == "bits":
        at, n = dice.randrange(len(data)), dice.randint(2, 5)
        for place in (at, *(dice.randrange(len(data)) for _ in range(n - 1))):
            data[place] ^= 1 << dice.randrange(8)
    elif how == "pointer":
        at, n = _pointer(dice, data), 1
        data[at : at + 4] = dice.randint(1, len(data) // PAGE + 1).to_bytes(4, "big")
    elif how == "cut":
        at = n = dice.randrange(len(data))
        del data[at:]
    elif how == "swap":
        at = dice.randrange(len(data) - 2 * PAGE) // PAGE * PAGE if len(data) > 2 * PAGE else 0
        n = 2 * PAGE
        data[at : at + n] = data[at + PAGE : at + n] + data[at : at + PAGE]
    else:
        n = int(how.split()[1])
        at = dice.randrange(len(data)) // n * n
        size = len(data[at : at + n])
        data[at : at + n] = bytes(size) if how[0] == "z" else dice.randbytes(size)
    files = {**whole.files, end: bytes(data)}
    if dice.random() < 0.5:
        files.pop("-shm", None)
    return f"{whole.name}{end}: {how} at {at}", n, files


def _pointer(dice: random.Random, data: bytes | bytearray) -> int:
    """A place where a number of a page may stand, of a tree's inner page, chain or free list."""
    pages = len(data) // PAGE
    found = [
        at
        for at in range(len(data) - 4)
        if data[at : at + 2] == b"\0\0"
        and 0 < int.from_bytes(data[at : at + 4], "big") <= pages
    ]
    return dice.choice(found) if found else 0


def outcome(whole: Whole, what: str, n: int, files: dict[str, bytes], place: Path) -> str:
    """How one damaged journal ended; raises where it must not end so."""
    path = _put(place, files)
    try:
        rows, damage = read_back(path)
    except JournalError:
        return "refused"
    for key, content in rows.items():
        assert whole.rows.get(key) == content, (what, "a row that never was", key)
    lost = sorted(map(str, whole.rows.keys() - rows.keys()))
    cut = ": cut" in what
    most = n if n <= 5 else n // SMALLEST_ROW + 2
    assert cut or len(lost) <= most, (what, "more is lost than was hit", len(lost), lost[:3])
    if lost and "-wal: cut" in what and not damage:
        # Nothing tells it from a log that was cut off there, unless the index beside it does.
        assert "-shm" not in files, what
        return "a shorter log, as of an earlier moment"
    assert damage or not lost, (what, "lost without a word", lost)
    if not damage:
        return "nothing lost, nothing claimed"
    if lost:
        return "lost and told"
    assert all(d.last_row is None for d in damage), (what, "claimed without a loss", damage)
    return SAID


def recovered(path: Path, out: Path) -> tuple[int, str]:
    """Exit code and words of recovery as a person runs it."""
    told = io.StringIO()
    with contextlib.redirect_stdout(told), contextlib.redirect_stderr(told):
        code = command_line(["recover", str(path), "--out", str(out)])
    return code, told.getvalue()


def campaign(
    seed: int, number: int, folder: Path, *, every: int = 10, sorts: int = 5
) -> tuple[Counter[str], list[str]]:
    """So many damaged journals, one in ``every`` recovered as a person does it.

    How they ended, and each that ended as it must not.
    """
    dice = random.Random(seed)
    wholes = list(islice(whole_journals(folder), sorts))
    ended: Counter[str] = Counter()
    wrong: list[str] = []
    place = folder / "damaged"
    place.mkdir()
    for i in range(number):
        whole = wholes[i % len(wholes)]
        what, n, files = damaged(whole, dice)
        try:
            end = outcome(whole, what, n, files, place)
            if i % every == 0:
                _as_a_person(end, what, _put(place, files), place / f"{i}.h5")
        except AssertionError as error:
            end = "WRONG"
            wrong.append(f"{i}: {error}")
        ended[end] += 1
    return ended, wrong


def _as_a_person(end: str, what: str, journal: Path, out: Path) -> None:
    code, words = recovered(journal, out)
    wanted = {"refused": 2, "lost and told": 1, SAID: 1}.get(end, 0)
    assert code == wanted, (what, end, code, words)
    out.unlink(missing_ok=True)


def main(words: list[str]) -> int:
    """Run it and print how they ended; 1 if any ended as it must not."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--number", type=int, default=1000)
    args = parser.parse_args(words)
    folder = Path(tempfile.mkdtemp(prefix="journal_damage."))
    began = time.monotonic()
    try:
        ended, wrong = campaign(args.seed, args.number, folder)
    finally:
        shutil.rmtree(folder)
    for line in wrong:
        sys.stdout.write(f"{line}\n")
    for end, n in ended.most_common():
        sys.stdout.write(f"{n:6d}  {end}\n")
    took_s = time.monotonic() - began
    sys.stdout.write(f"{args.number:6d}  in all, seed {args.seed}, {took_s:.0f} s\n")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
