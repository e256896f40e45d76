"""House rules that no linter checks; each offence is one line, exit code 1 if there is any.

No import circle between files, whichever way they import (at the top, inside a function, for
the type checker); sizes of modules, functions and folders; nothing beside a room's sub-rooms
but its door; an import inside a function says why it is there.
"""

from __future__ import annotations

import ast
import sys
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from typing import Final

PACKAGES: Final = ("recorder", "drivers", "calibration", "simulated_feeds")
TESTS: Final = "tests"
LONGEST_MODULE, LONGEST_FUNCTION, FULLEST_FOLDER = 400, 40, 12
SIDE_BY_SIDE: Final = frozenset({"recorder/command_line/verbs"})  # a module a verb
DOORS: Final = frozenset({"__init__.py", "main.py"})

Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass
class Module:
    """One file, parsed; ``inside`` a function and for ``typing`` alone: those imports of it."""

    path: PurePosixPath
    lines: list[str]
    tree: ast.Module
    inside: set[ast.stmt] = field(default_factory=set)
    typing: set[ast.stmt] = field(default_factory=set)

    def __post_init__(self) -> None:
        for node in ast.walk(self.tree):
            for_typing = isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
            if for_typing or isinstance(node, Function):
                held = {n for n in ast.walk(node) if isinstance(n, ast.Import | ast.ImportFrom)}
                (self.typing if for_typing else self.inside).update(held)

    @property
    def name(self) -> str:
        return ".".join(self.path.with_suffix("").parts).removesuffix(".__init__")

    def imported(self, known: set[str], *, typing: bool) -> set[str]:
        """Our modules it imports, with or without the type checker's; ruff bans relative ones."""
        found: set[str] = set()
        for node in set(ast.walk(self.tree)) - (set() if typing else self.typing):
            if isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                inner = {f"{node.module}.{alias.name}" for alias in node.names}
                found |= (inner & known) or {str(node.module)}
        return (found & known) - {self.name}


def way(imports: dict[str, set[str]], start: str, goal: str) -> list[str]:
    """The shortest chain of imports from one module to another; empty if there is none."""
    before, queue = {start: ""}, [start]
    for here in queue:
        for there in sorted(imports[here]):
            if there == goal:
                chain = [there]
                while here:
                    chain, here = [here, *chain], before[here]
                return chain
            if there not in before:
                before[there] = here
                queue.append(there)
    return []


def circles(modules: list[Module]) -> Iterator[str]:
    """Each circle once, by its shortest way round; those of the type checker alone say so."""
    known = {m.name for m in modules}
    told: set[frozenset[str]] = set()
    for kind in ("import circle", "import circle for the type checker"):
        typing = kind.endswith("checker")
        imports = {m.name: m.imported(known, typing=typing) for m in modules}
        for name in sorted(imports):
            chain = way(imports, name, name)
            if chain and frozenset(chain) not in told:
                told.add(frozenset(chain))
                yield f"{chain[0].replace('.', '/')}.py: {kind}: {' > '.join(chain)}"


def code_lines(node: Function) -> int:
    """Lines of a function, without decorators and docstring."""
    held = [node, *([node.body[0]] if ast.get_docstring(node) is not None else [])]
    whole, *docstring = [(part.end_lineno or part.lineno) - part.lineno + 1 for part in held]
    return whole - sum(docstring)


def sizes(module: Module) -> Iterator[str]:
    """A module or function that is too long."""
    if (n := len(module.lines)) > LONGEST_MODULE:
        yield f"{module.path}: {n} lines; at most {LONGEST_MODULE} in a module"
    for node in ast.walk(module.tree):
        if isinstance(node, Function) and (n := code_lines(node)) > LONGEST_FUNCTION:
            what = (
                f"{node.name} has {n} lines of code; at most {LONGEST_FUNCTION} in a function"
            )
            yield f"{module.path}:{node.lineno}: {what}"


def reasons(module: Module) -> Iterator[str]:
    """An import inside a function that does not say why; one comment serves a row of them."""
    served = 0
    for node in sorted(module.inside, key=lambda n: n.lineno):
        near = module.lines[max(node.lineno - 2, 0) : node.end_lineno]
        if node.lineno == served + 1 or any("#" in line for line in near):
            served = node.end_lineno or node.lineno
        else:
            yield f"{module.path}:{node.lineno}: an import inside a function says why, in a comment"


def folders(modules: list[Module]) -> Iterator[str]:
    """A folder that is too full, or that has modules lying beside its sub-rooms."""
    held: defaultdict[PurePosixPath, set[str]] = defaultdict(set)
    for m in modules:
        held[m.path.parent].add(m.path.name)
    for folder, names in held.items():
        n = len(names - {"__init__.py"})
        if n > FULLEST_FOLDER and str(folder) not in SIDE_BY_SIDE:
            yield f"{folder}: {n} modules; at most {FULLEST_FOLDER} in a folder"
        if folder.parts[0] != TESTS and any(other.parent == folder for other in held):
            for name in sorted(names - DOORS):
                yield f"{folder}/{name}: lies beside the sub-rooms of {folder}; it belongs into one"


def offences(root: Path) -> list[str]:
    """Every offence in the product and its tests under a folder, one line each."""
    modules = []
    for path in sorted(p for top in (*PACKAGES, TESTS) for p in (root / top).rglob("*.py")):
        text = path.read_text("utf-8")
        here = PurePosixPath(path.relative_to(root).as_posix())
        modules.append(Module(here, text.splitlines(), ast.parse(text)))
    product = [m for m in modules if m.path.parts[0] != TESTS]
    found = [*circles(product), *folders(modules)]
    found += [line for m in modules for line in sizes(m)]
    return found + [line for m in product for line in reasons(m)]


if __name__ == "__main__":
    lines = offences(Path(sys.argv[1] if len(sys.argv) > 1 else Path(__file__).parents[1]))
    print("\n".join(lines) or "house rules: kept")
    sys.exit(1 if lines else 0)
