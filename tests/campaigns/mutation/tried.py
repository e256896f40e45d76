"""Mutants tried: each in a fork of a warm interpreter that has not yet imported the module."""

from __future__ import annotations

import contextlib
import importlib
import importlib.abc
import importlib.util
import os
import pickle
import resource
import select
import signal
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType
from typing import Final

import coverage
import hypothesis
import pytest

from tests.campaigns.mutation.made import Mutant, code_of, lines_of_statement

__all__ = ["Outcome", "Reach", "reach_of", "try_mutants"]

OURS: Final = ("calibration", "recorder", "drivers", "simulated_feeds", "tests")
HEAVY: Final = (
    "numpy", "scipy", "h5py", "hypothesis", "_hypothesis", "_pytest", "pytest", "cryptography",
    "statsmodels", "uncertainties", "pandas", "psutil", "xdist", "coverage", "logging", "asyncio",
)  # fmt: skip
QUIET: Final = (
    "-q", "-m", "not slow", "-p", "no:cacheprovider", "--tb=no", "--no-header",
    "--hypothesis-profile=mutants", "-W", "ignore::pytest.PytestAssertRewriteWarning",
)  # fmt: skip
MEMORY: Final = 8 << 30
BROKEN: Final = 99
PATIENCE: Final = 5
"""Times as long as the sound module took: longer is stuck."""


class Outcome(StrEnum):
    """What the tests said to a mutant."""

    KILLED = "killed"
    STUCK = "stuck"
    SURVIVED = "survived"
    NOT_REACHED = "not reached"

    @property
    def lived(self) -> bool:
        return self in (Outcome.SURVIVED, Outcome.NOT_REACHED)


@dataclass
class Reach:
    """What the sound code showed: which tests reach which lines, how long each takes."""

    tests: dict[str, dict[int, set[str]]] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)
    modules: list[str] = field(default_factory=list)


class Watch:
    """Tells coverage which test runs, and keeps how long it took."""

    def __init__(self, watching: coverage.Coverage, seconds: dict[str, float]) -> None:
        self.watching, self.seconds = watching, seconds

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        self.watching.switch_context(nodeid)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration


class Chosen:
    """Leaves of the collected tests those that are asked for, the fastest files first."""

    def __init__(self, names: set[str], seconds: dict[str, float]) -> None:
        self.names, self.seconds = names, seconds

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = [item for item in items if item.nodeid in self.names]
        cost = {name: self.seconds.get(name, 0.0) for name in self.names}
        files: dict[str, float] = {}
        for name, seconds in cost.items():
            file = name.split("::")[0]
            files[file] = min(files.get(file, seconds), seconds)
        items.sort(
            key=lambda item: (
                files[item.nodeid.split("::")[0]],
                item.nodeid.split("::")[0],
                cost[item.nodeid],
            )
        )


class Served(importlib.abc.Loader, importlib.abc.MetaPathFinder):
    """Gives one module from memory; until it has its text the module cannot be imported."""

    def __init__(self, name: str, path: Path) -> None:
        self.name, self.path = name, str(path)
        self.text = ""

    def find_spec(self, fullname: str, *_: object) -> ModuleSpec | None:
        if fullname != self.name:
            return None
        if not self.text:
            raise ImportError(self.name)
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)

    def exec_module(self, module: ModuleType) -> None:
        exec(compile(self.text, self.path, "exec"), module.__dict__)


def forked(work: Callable[[], int], seconds: float) -> int | None:
    """The exit code of work done in a fork, all its children ended; None if it took too long."""
    pid = os.fork()
    if pid == 0:
        os.setsid()
        resource.setrlimit(resource.RLIMIT_CPU, (int(seconds) + 1, int(seconds) + 2))
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        nothing = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1):
            os.dup2(nothing, stream)
        code = BROKEN
        try:
            code = work()
        finally:
            os._exit(code)
    watched = os.pidfd_open(pid)
    ended = select.select([watched], [], [], 4 * seconds)[0]
    with contextlib.suppress(ProcessLookupError):
        os.killpg(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    os.close(watched)
    code = os.waitstatus_to_exitcode(status)
    return None if not ended or code in (-signal.SIGXCPU, -signal.SIGKILL) else code


def profile() -> None:
    """Property tests draw the same examples each time, and do not look for the smallest one."""
    hypothesis.settings.register_profile(
        "mutants",
        database=None,
        deadline=None,
        derandomize=True,
        phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate),
    )


def reach_of(tree: Path, tests: list[str], paths: list[str]) -> Reach:
    """One run of the tests over the sound code. They must pass."""
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder) / "reach"

        def work() -> int:
            os.chdir(tree)
            profile()
            files = [str(tree / path) for path in paths]
            watching = coverage.Coverage(data_file=None, include=files, config_file=False)
            reach = Reach()
            watching.start()
            code = pytest.main([*QUIET, *tests], plugins=[Watch(watching, reach.seconds)])
            watching.stop()
            data = watching.get_data()
            for path, file in zip(paths, files, strict=True):
                by_line = data.contexts_by_lineno(file)
                reach.tests[path] = {line: set(names) for line, names in by_line.items()}
            reach.modules = list(sys.modules)
            kept.write_bytes(pickle.dumps(reach))
            return int(code)

        code = forked(work, 1800)
        if code != 0:
            message = f"the quick tests of {', '.join(tests)} do not pass as they are ({code})"
            raise SystemExit(message)
        found: Reach = pickle.loads(kept.read_bytes())
        return found


def warm(names: list[str]) -> None:
    """Imports all that can be had without the module that will be changed."""
    for name in names:
        last = name.rpartition(".")[2]
        if (
            last.startswith("test_")
            or last == "conftest"
            or name.split(".")[0] not in (*OURS, *HEAVY)
        ):
            continue
        with contextlib.suppress(ImportError):
            importlib.import_module(name)


def judged(served: Served, text: str, names: set[str], reach: Reach) -> Outcome:
    """What some tests say to a mutant."""
    files = sorted({name.split("::")[0] for name in names})

    def work() -> int:
        served.text = text
        return int(pytest.main([*QUIET, "-x", *files], plugins=[Chosen(names, reach.seconds)]))

    code = forked(work, 10 + PATIENCE * sum(reach.seconds[name] for name in names))
    if code is None:
        return Outcome.STUCK
    return Outcome.SURVIVED if code == 0 else Outcome.KILLED


def try_mutants(
    tree: Path, path: str, mutants: list[Mutant], reach: Reach
) -> Iterator[tuple[Mutant, Outcome]]:
    """Each mutant with what became of it. The interpreter that tries them lives in a fork."""
    out, into = os.pipe()
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            os.close(out)
            os.chdir(tree)
            _try_all(tree, path, mutants, reach, into)
            code = 0
        finally:
            os._exit(code)
    os.close(into)
    with os.fdopen(out) as lines:
        left = len(mutants)
        for mutant, line in zip(mutants, lines, strict=False):
            left -= 1
            yield mutant, Outcome(line.strip())
    if os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) != 0 or left:
        message = f"the trial of {path} broke off: its tests do not pass as it is, or it ended"
        raise SystemExit(message)


def _try_all(tree: Path, path: str, mutants: list[Mutant], reach: Reach, into: int) -> None:
    """In the fork: warm up, then every mutant in a fork of its own."""
    text = (tree / path).read_text("utf-8")
    served = Served(path.removesuffix(".py").replace("/", "."), tree / path)
    sys.meta_path.insert(0, served)
    profile()
    warm(reach.modules)
    every = set(reach.seconds)
    if judged(served, text, every, reach) != Outcome.SURVIVED:
        return  # nothing that this interpreter says of a mutant is to be believed
    for mutant in mutants:
        changed = code_of(text, mutant.operator, mutant.occurrence)
        outcome = Outcome.NOT_REACHED
        for names in _judges(reach, path, lines_of_statement(text, mutant.line)):
            outcome = judged(served, changed, names, reach)
            if not outcome.lived:
                break
        os.write(into, f"{outcome}\n".encode())


def _judges(reach: Reach, path: str, lines: set[int]) -> Iterator[set[str]]:
    """The tests that reach a statement; then those beside them, which may share what is set up.

    What runs when the module is imported is judged by every test of the room.
    """
    reached = {name for line in lines for name in reach.tests[path].get(line, ())}
    every = set(reach.seconds)
    near = reached & every
    if near:
        yield near
        files = {name.split("::")[0] for name in near}
        yield from filter(None, [{n for n in every - near if n.split("::")[0] in files}])
    elif reached:
        yield every
