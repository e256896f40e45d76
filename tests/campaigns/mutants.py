"""Mutants of the rooms that decide: the code changed in one small place, and do tests notice?

Cosmic-ray's operators make the mutants (``pip install cosmic-ray``); none is ever written to
disk, so the tree stays as it is whatever happens. The quick tests named for a room in
``pyproject.toml`` (``[tool.mutants]``) judge its modules: first those that reach the changed
lines, then, if none of them fails, all::

    PYTHONPATH=. .venv/bin/python tests/campaigns/mutants.py --results mutants.jsonl
    PYTHONPATH=. .venv/bin/python tests/campaigns/mutants.py --results mutants.jsonl --again
    PYTHONPATH=. .venv/bin/python tests/campaigns/mutants.py --results mutants.jsonl --list

A run goes on where the last one stopped; ``--again`` tries the survivors again, after tests were
added. Of a large module a seeded sample is taken. Survivors that were read and change nothing
that anybody could see stand with the reason in ``mutants_read.toml`` and do not count.
"""

from __future__ import annotations

import argparse
import json
import sys
import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Final

from tests.campaigns.mutation.made import Mutant, mutants_of
from tests.campaigns.mutation.tried import Outcome, Reach, reach_of, try_mutants

TREE: Final = Path(__file__).resolve().parents[2]
READ: Final = Path(__file__).with_name("mutants_read.toml")


@dataclass(frozen=True)
class Room:
    """Modules that are judged together by the same tests."""

    name: str
    modules: tuple[str, ...]
    tests: tuple[str, ...]
    most: int
    """Mutants taken of one module at most."""


@dataclass(frozen=True)
class Line:
    """One line of the file of results."""

    room: str
    path: str
    source: str
    operator: str
    occurrence: int
    line: int
    was: str
    became: str
    outcome: Outcome

    @property
    def key(self) -> tuple[str, str, str, int]:
        return self.path, self.source, self.operator, self.occurrence

    @property
    def words(self) -> str:
        return f"{self.was} -> {self.became}"


def rooms_of(settings: Path) -> list[Room]:
    """The rooms as the settings name them."""
    table = tomllib.loads(settings.read_text("utf-8"))["tool"]["mutants"]
    found = []
    by_itself = {room["name"] for room in table["rooms"]}
    for room in table["rooms"]:
        name = room["name"]
        place = TREE / name
        files = [place] if place.suffix else sorted(place.glob("*.py"))
        paths = [f.relative_to(TREE).as_posix() for f in files if f.name != "__init__.py"]
        modules = [path for path in paths if path == name or path not in by_itself]
        found.append(Room(name, tuple(modules), tuple(room["tests"]), room["most_of_a_module"]))
    return found


def kept(results: Path) -> dict[tuple[str, str, str, int], Line]:
    """What earlier runs found; a later line stands in for an earlier one."""
    if not results.exists():
        return {}
    rows = (json.loads(text) for text in results.read_text("utf-8").splitlines())
    lines = (Line(**{**row, "outcome": Outcome(row["outcome"])}) for row in rows)
    return {line.key: line for line in lines}


def wanted(
    room: Room,
    path: str,
    seed: int,
    before: dict[tuple[str, str, str, int], Line],
    *,
    again: bool,
) -> list[Mutant]:
    """The mutants of a module that are still to be tried."""
    chosen = mutants_of(TREE, path, room.most, seed)
    known = {m: before.get((path, m.source, m.operator, m.occurrence)) for m in chosen}
    return [m for m, line in known.items() if line is None or (again and line.outcome.lived)]


def try_room(room: Room, results: Path, seed: int, only: str, *, again: bool) -> None:
    """Every mutant of a room; each result is on the disk before the next is tried."""
    before = kept(results)
    todo = {
        path: mutants
        for path in room.modules
        if only in path and (mutants := wanted(room, path, seed, before, again=again))
    }
    if not todo:
        return
    reach: Reach = reach_of(TREE, list(room.tests), sorted(todo))
    for path, mutants in todo.items():
        for mutant, outcome in try_mutants(TREE, path, mutants, reach):
            line = Line(
                room.name, path, mutant.source, mutant.operator, mutant.occurrence,
                mutant.line, mutant.was, mutant.became, outcome,
            )  # fmt: skip
            with results.open("a", encoding="utf-8") as file:
                file.write(json.dumps(asdict(line)) + "\n")
            sys.stdout.write(f"{outcome:12} {path}:{mutant.line}: {line.words}\n")
            sys.stdout.flush()


def current(rooms: list[Room], seed: int, results: Path) -> Iterator[Line]:
    """The results that are of the sources as they lie in the tree now."""
    found = kept(results)
    for room in rooms:
        for path in room.modules:
            for m in mutants_of(TREE, path, room.most, seed):
                line = found.get((path, m.source, m.operator, m.occurrence))
                if line is not None:
                    yield replace(line, line=m.line)


def told(lines: list[Line]) -> str:
    """The score of each room, then every survivor that nobody has read yet."""
    read = tomllib.loads(READ.read_text("utf-8")) if READ.exists() else {}
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    survivors = []
    for line in lines:
        equivalent = line.outcome.lived and line.words in read.get(line.path, {})
        counts[line.room]["equivalent" if equivalent else line.outcome] += 1
        if line.outcome.lived and not equivalent:
            survivors.append(
                f"{line.path}:{line.line}: {line.outcome}\n    - {line.was}\n    + {line.became}"
            )
    head = (
        "room",
        "tried",
        "killed",
        "stuck",
        "survived",
        "not reached",
        "equivalent",
        "score",
    )
    table = [f"{head[0]:40}" + "".join(f"{h:>12}" for h in head[1:])]
    total: Counter[str] = Counter()
    for room, count in [*counts.items(), ("all", total)]:
        if room != "all":
            total.update(count)
        tried = sum(count.values())
        judged = tried - count["equivalent"]
        score = (count[Outcome.KILLED] + count[Outcome.STUCK]) / max(judged, 1)
        row = [tried, *(count[h] for h in head[2:7])]
        table.append(f"{room:40}" + "".join(f"{n:12}" for n in row) + f"{score:12.1%}")
    return "\n".join([*survivors, "", *table])


def main(arguments: Sequence[str] | None = None) -> int:
    """Try, write down, tell."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--results", type=Path, required=True, help="outside the tree")
    parser.add_argument("--room", default="", help="only rooms whose name holds this")
    parser.add_argument("--module", default="", help="only modules whose path holds this")
    parser.add_argument("--seed", type=int, default=1, help="of the samples of large modules")
    parser.add_argument(
        "--most", type=int, default=10_000, help="of a module, for a first look"
    )
    parser.add_argument("--again", action="store_true", help="try survivors again")
    parser.add_argument("--list", action="store_true", help="try nothing, tell what was found")
    given = parser.parse_args(arguments)
    rooms = [
        replace(room, most=min(room.most, given.most))
        for room in rooms_of(TREE / "pyproject.toml")
        if given.room in room.name
    ]
    if not given.list:
        for room in rooms:
            try_room(room, given.results, given.seed, given.module, again=given.again)
    sys.stdout.write(told(list(current(rooms, given.seed, given.results))) + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
