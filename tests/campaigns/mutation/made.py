"""Mutants made by cosmic-ray's operators, in memory: which places, and what stands there then."""

from __future__ import annotations

import ast
import hashlib
import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import cosmic_ray.plugins
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.exceptions import CosmicRayTestingException
from cosmic_ray.mutating import mutate_code

__all__ = ["Mutant", "code_of", "lines_of_statement", "mutants_of"]

OPERATORS: Final = (
    *(f"ReplaceBinaryOperator_{pair}" for pair in (
        "Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "FloorDiv_Div", "Mod_FloorDiv", "Pow_Mul",
        "BitOr_BitAnd", "BitAnd_BitOr", "BitXor_BitAnd", "LShift_RShift", "RShift_LShift",
    )),
    *(f"ReplaceComparisonOperator_{pair}" for pair in (
        "Lt_LtE", "Lt_GtE", "LtE_Lt", "LtE_Gt", "Gt_GtE", "Gt_LtE", "GtE_Gt", "GtE_Lt",
        "Eq_NotEq", "NotEq_Eq", "Is_IsNot", "IsNot_Is",
    )),
    "ReplaceUnaryOperator_USub_UAdd", "ReplaceUnaryOperator_Delete_Not", "AddNot",
    "ReplaceTrueWithFalse", "ReplaceFalseWithTrue", "ReplaceAndWithOr", "ReplaceOrWithAnd",
    "ReplaceBreakWithContinue", "ReplaceContinueWithBreak", "ExceptionReplacer",
    "NumberReplacer", "ZeroIterationForLoop",
)  # fmt: skip
"""One or two ways to be wrong a place: all hundred would only count the same hole again."""


@dataclass(frozen=True)
class Mutant:
    """A module with one place changed; ``source`` is the digest of the unchanged text."""

    source: str
    operator: str
    occurrence: int
    line: int
    was: str
    became: str


class Caught:
    """Exceptions caught, by dotted names too, which cosmic-ray's own takes for none."""

    def mutation_positions(self, node: Any) -> Iterator[tuple[Any, Any]]:
        if node.type == "except_clause":
            yield from ((name.start_pos, name.end_pos) for name in self._names(node))

    def mutate(self, node: Any, index: int) -> Any:
        name = self._names(node)[index]
        leaf, last = name.get_first_leaf(), name.get_last_leaf()
        leaf.value = CosmicRayTestingException.__name__
        while leaf is not last:
            leaf = leaf.get_next_leaf()
            leaf.value = ""
        return node

    @staticmethod
    def _names(node: Any) -> list[Any]:
        caught = node.children[1]
        if caught.type == "atom":
            caught = caught.children[1]
            return [*caught.children[::2]] if caught.type == "testlist_comp" else [caught]
        return [caught]


def operator_of(name: str) -> Any:
    """One of cosmic-ray's operators, or ours."""
    if name == "ExceptionReplacer":
        return Caught()
    return cosmic_ray.plugins.get_operator(f"core/{name}")()


def unmeant(tree: ast.Module) -> list[ast.expr]:
    """What is for the type checker, says how a class is made, or holds arrays to one length."""
    found: list[ast.expr | None] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            found += [node.returns, *node.decorator_list]
        elif isinstance(node, ast.ClassDef):
            found += node.decorator_list
        elif isinstance(node, ast.arg | ast.AnnAssign):
            found.append(node.annotation)
        elif isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            found.append(node.test)
        elif isinstance(node, ast.Call) and ast.unparse(node.func) == "isinstance":
            found.append(node.args[1])
        elif isinstance(node, ast.Call) and ast.unparse(node.func) == "zip":
            found += [keyword.value for keyword in node.keywords]
    return [node for node in found if node is not None]


def within(node: ast.expr, at: tuple[int, int]) -> bool:
    """Whether a place lies inside an expression."""
    end = (node.end_lineno or node.lineno, node.end_col_offset or 0)
    return (node.lineno, node.col_offset) <= at < end


def places(text: str) -> Iterator[tuple[str, int]]:
    """Operator and occurrence of every place that can be changed."""
    nodes = list(ast_nodes(get_ast(text)))
    unread = unmeant(ast.parse(text))
    for name in OPERATORS:
        operator = operator_of(name)
        found = [(node, at) for node in nodes for at, _ in operator.mutation_positions(node)]
        for occurrence, (node, at) in enumerate(found):
            bare_star = node.parent is not None and node.parent.type == "parameters"
            if not bare_star and not any(within(expression, at) for expression in unread):
                yield name, occurrence


def code_of(text: str, operator: str, occurrence: int) -> str:
    """The whole module with this one place changed."""
    return str(mutate_code(text, operator_of(operator), occurrence))


def is_mutant(text: str, changed: str) -> bool:
    """Whether it is another program, and one at all."""
    try:
        return ast.dump(ast.parse(changed)) != ast.dump(ast.parse(text))
    except SyntaxError:
        return False


def changed_lines(text: str, changed: str) -> tuple[int, str, str]:
    """Where two texts differ first, and both lines there."""
    pairs = zip(text.splitlines(), changed.splitlines(), strict=False)
    return next(
        (number, was.strip(), became.strip())
        for number, (was, became) in enumerate(pairs, 1)
        if was != became
    )


def mutants_of(tree: Path, path: str, most: int, seed: int) -> list[Mutant]:
    """The mutants of a module, or a fair sample of them that is the same each time."""
    text = (tree / path).read_text("utf-8")
    source = hashlib.sha256(text.encode()).hexdigest()[:12]
    drawn = list(places(text))
    random.Random(f"{seed} {path}").shuffle(drawn)
    found: list[Mutant] = []
    for operator, occurrence in drawn:
        if len(found) == most:
            break
        changed = code_of(text, operator, occurrence)
        if is_mutant(text, changed):
            found.append(Mutant(source, operator, occurrence, *changed_lines(text, changed)))
    return sorted(found, key=lambda m: (m.line, m.operator, m.occurrence))


def lines_of_statement(text: str, line: int) -> set[int]:
    """The lines of the innermost statement there; of a compound one, its head."""
    smallest: tuple[int, int] = (1, len(text.splitlines()))
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.stmt):
            continue
        body = getattr(node, "body", None)
        first = node.lineno
        last = body[0].lineno - 1 if body else (node.end_lineno or first)
        if first <= line <= last and last - first < smallest[1] - smallest[0]:
            smallest = (first, last)
    return set(range(smallest[0], smallest[1] + 1))
