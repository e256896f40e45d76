"""Kinds of hostile files whose own checks all hold: keys, bench sessions, run files, journals."""

from __future__ import annotations

import base64
import contextlib
import json
import random
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any, TypeAlias
from unittest import mock

import h5py
import numpy as np

from calibration.bench.session import BenchSession
from calibration.certificates import private_key
from calibration.certificates.private_key import make_private_key, open_private_key
from calibration.certificates.signature import pem_bytes
from recorder.exchange.description import describe, in_words
from recorder.keeping.journal_reader import JournalReader
from recorder.keeping.journal_rows import row_crc
from recorder.keeping.left_behind import LeftBehind
from recorder.run.parts.errors import RunFileError
from recorder.run_file.hdf5.reader import open_run
from recorder.run_file.seal.verify import verify_run
from tests.calibration.bench.made_bench import Bench
from tests.campaigns.fuzz.file_kinds import Kind
from tests.campaigns.fuzz.fuzz_verbs import tried
from tests.campaigns.fuzz.mutation import other_bytes, other_json
from tests.recorder.made_runs import all_rows, made_run
from tests.recorder.run_file.proof.honest_run import harmed, retext, sealed_as

__all__ = ["sealed_kinds"]

Pair: TypeAlias = tuple[Callable[[random.Random], Any], Callable[[Any], object]]
"""How one is made, and who reads it."""

PHRASE = "four words of no sense"
WHOLE = (0, -1, 1, 2**31, 2**53, 2**63 - 1, -(2**63), 10**12)
REAL = (0.0, -1.0, 1e308, -1e308, 5e-324, float("nan"), float("inf"), 1e12)


def sealed_kinds(folder: Path) -> list[Kind]:
    """All of them; ``folder`` is for what must lie on a disk."""
    return [
        *(Kind(name, 1, make, read) for name, (make, read) in private_keys().items()),
        Kind("bench session", 0.5, *sessions(folder)),
        Kind("run sealed anew", 0.3, *resealed_runs(folder)),
        Kind("journal of strange rows", 0.3, *strange_rows(folder)),
    ]


def private_keys() -> dict[
    str, tuple[Callable[[random.Random], bytes], Callable[[Any], object]]
]:
    """Of a laboratory and of a car, as PEM and as the DER within it."""
    with mock.patch.object(private_key, "ROUNDS", 2):
        locked = make_private_key(PHRASE)[1]
    bare = make_private_key(None)[1]
    kinds: dict[str, Pair] = {}
    for name, pem in (("locked", locked), ("bare", bare)):
        word = pem.decode().split("-----")[1].removeprefix("BEGIN ")
        der = pem_bytes(pem.decode(), word, source="key")

        def inside(chance: random.Random, der: bytes = der, word: str = word) -> bytes:
            body = base64.b64encode(other_bytes(chance, der))
            head, end = f"-----BEGIN {word}-----\n", f"\n-----END {word}-----\n"
            return head.encode() + body + end.encode()

        def outside(chance: random.Random, pem: bytes = pem) -> bytes:
            return other_bytes(chance, pem)

        kinds[f"{name} key"] = (outside, _opened)
        kinds[f"{name} key inside"] = (inside, _opened)
    return kinds


def _opened(data: bytes) -> object:
    text = data.decode("utf-8", "replace")
    return open_private_key(text, PHRASE, source="key", may_be_bare=True)


def sessions(
    folder: Path,
) -> Pair:
    """A bench session with one of its texts otherwise; gone on with, and evaluated."""
    good, place = folder / "good.bench", folder / "tried.bench"
    bench = Bench(good)
    for _ in range(4):
        bench.take()
    bench.session.note("remark", "a word")
    bench.session.close()
    whole = good.read_bytes()
    texts = {"facts": "value", "readings": "body"}

    def make(chance: random.Random) -> tuple[str, int, str]:
        table = chance.choice(list(texts))
        with closing(sqlite3.connect(good)) as sql:
            query = f"SELECT rowid, {texts[table]} FROM {table}"
            row, text = chance.choice(sql.execute(query).fetchall())
        return table, row, json.dumps(other_json(chance, json.loads(text)))

    def read(made: tuple[str, int, str]) -> None:
        table, row, text = made
        for end in ("-wal", "-shm", "-journal"):
            place.with_name(place.name + end).unlink(missing_ok=True)
        place.write_bytes(whole)
        with closing(sqlite3.connect(place)) as sql:
            sql.executescript("DROP TRIGGER readings_kept")
            sql.execute(f"UPDATE {table} SET {texts[table]} = ? WHERE rowid = ?", (text, row))
            sql.commit()
        with BenchSession.open(place) as session:
            _ = session.current, session.done, session.taken
            session.to_csv()
            session.evaluate()

    return make, read


def resealed_runs(
    folder: Path,
) -> Pair:
    """A run with its words or its columns otherwise, and every digest made anew."""
    place = folder / "resealed"
    place.mkdir()
    whole = sealed_as(made_run(1.0), place / "good.h5").read_bytes()
    run = place / "run.h5"

    def make(chance: random.Random) -> bytes:
        run.write_bytes(whole)
        with contextlib.suppress(RunFileError):  # a header of which no closing line can be made
            harmed(run, lambda file: _other_content(chance, file))
        return run.read_bytes()

    def read(data: bytes) -> None:
        run.write_bytes(data)
        verify_run(run)
        with open_run(run) as opened:
            in_words(describe(opened))
            for channel in opened.channels.values():
                channel.values()
            opened.revisions(), opened.gaps(), opened.events()
        for words in (["info", str(run)], ["verify", str(run)], ["export", str(run)]):
            wrong = tried(words)[1]
            assert wrong is None, wrong

    return make, read


def _other_content(chance: random.Random, file: h5py.File) -> None:
    texts: list[str] = []
    columns: list[str] = []

    def visit(name: str, held: object) -> None:
        if (
            isinstance(held, h5py.Dataset)
            and held.shape
            and held.shape[0]
            and "digests" not in name
        ):
            (texts if held.dtype.kind == "S" and held.shape == (1,) else columns).append(name)

    file.visititems(visit)
    if chance.random() < 0.5:
        path = chance.choice(texts)
        text = bytes(file[path][0]).decode()
        try:
            other = json.dumps(other_json(chance, json.loads(text)))
        except ValueError:
            other = other_bytes(chance, text.encode()).decode("utf-8", "replace")
        retext(file, path, other.replace("\0", "") or " ")
        return
    held = file[chance.choice(columns)]
    at = chance.randrange(len(held))
    many = chance.choice((1, 1, len(held) - at))
    rows = held[at : at + many]
    names = rows.dtype.names
    part = rows[chance.choice(names)] if names else rows
    part[...] = _value(chance, part.dtype)
    held[at : at + many] = rows


def _value(chance: random.Random, kind: np.dtype[Any]) -> object:
    if kind.kind in "iu":
        span = np.iinfo(kind)
        return int(min(max(chance.choice(WHOLE), span.min), span.max))
    if kind.kind == "f":
        with np.errstate(over="ignore"):
            return np.array(chance.choice(REAL)).astype(kind)
    return chance.choice((b"", b"\x1b[2J", b"\xff" * 9, b"=1+1")) if kind.kind == "S" else 0


def strange_rows(
    folder: Path,
) -> tuple[
    Callable[[random.Random], list[tuple[str, tuple[Any, ...]]]], Callable[[Any], object]
]:
    """Journals with foreign values in rows whose checks hold; read live, left behind, recovered."""
    place = folder / "strange"
    place.mkdir()
    good = place / "good.journal"
    made_run(1.0).journal(good)
    whole = good.read_bytes()
    journal = place / "run.h5.journal"

    def make(chance: random.Random) -> list[tuple[str, tuple[Any, ...]]]:
        with closing(sqlite3.connect(good)) as sql:
            return [_strange_row(chance, sql) for _ in range(chance.choice((1, 1, 3)))]

    def read(made: list[tuple[str, tuple[Any, ...]]]) -> None:
        for old in place.glob("run.h5*"):
            old.unlink()
        journal.write_bytes(whole)
        with closing(sqlite3.connect(journal)) as sql:
            for table, row in made:
                marks = ", ".join("?" * len(row))
                sql.execute(f"INSERT OR REPLACE INTO {table} VALUES ({marks})", row)
            sql.commit()
        with JournalReader(journal) as opened:
            all_rows(opened)
        LeftBehind(journal).close()
        wrong = tried(["recover", str(journal), "--out", str(place / "run.h5.new.h5")])[1]
        assert wrong is None, wrong

    return make, read


def _strange_row(chance: random.Random, sql: sqlite3.Connection) -> tuple[str, tuple[Any, ...]]:
    table = chance.choice(("batches", "batches", "marks", "events"))
    rows = sql.execute(f"SELECT * FROM {table}").fetchall()
    row = list(chance.choice(rows))
    if chance.random() < 0.3:
        row[0] = chance.choice((len(rows) + 1, 2**63 - 1, 1_000_000, -1, 0))
    if table == "batches":
        at = chance.choice((1, 2, 3, 5))
        if at == 1:
            row[1] = chance.choice(("gnss", "wheel", "cell", "../x", "a\0b", "", "x" * 9000))
        elif at == 5:
            row[5] = _payload(chance, row[5])
        else:
            row[at] = chance.choice(WHOLE)
        row[4] = row_crc(row[0], row[1], row[2], row[3], row[5])
    else:
        at = chance.choice((1, 2, 3, 3))
        if at == 3:
            row[3] = json.dumps(other_json(chance, json.loads(row[3])))
        elif at == 2:
            row[2] = chance.choice(WHOLE if table == "marks" else [r for r in REAL if r == r])
        else:
            row[1] = chance.choice(
                ("gap", "health", "stop", "link", "zero", "a\0b", "x" * 9000)
            )
        row[4] = row_crc(*row[:4])
    return table, tuple(row)


def _payload(chance: random.Random, data: bytes) -> bytes:
    held = bytearray(data)
    for _ in range(chance.choice((1, 1, 4))):
        at = chance.randrange(len(held) // 8) * 8 + 4
        held[at : at + 8] = (
            np.float64(chance.choice(REAL)).tobytes()
            if chance.random() < 0.6
            else (chance.choice(WHOLE) % 2**64).to_bytes(8, "little")
        )
    return bytes(held[: len(data)])
