"""Mutants of a module, by the operators of cosmic-ray.

Of its operators those are used that make a mistake a person could make: an operator for its
opposite or its neighbour, a limit moved by one, a condition turned round, an `and` for an `or`, a
loop that does not run, a decorator that is gone. Replacing ``+`` by ``<<`` and the like would only
add mutants that every test catches.
"""

from __future__ import annotations

import ast
import random
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from typing import Any

import parso.python.tree as tree
from cosmic_ray.ast import ast_nodes, get_ast, is_number
from cosmic_ray.operators.number_replacer import NumberReplacer
from cosmic_ray.operators.operator import Operator
from cosmic_ray.plugins import get_operator

__all__ = ["Mutant", "mutants_of", "sample"]

_ARITHMETIC = ("Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "FloorDiv_Mul", "Mod_Mul", "Pow_Mul")
_BITS = ("BitAnd_BitOr", "BitOr_BitAnd")
_COMPARISON = (
    *("Eq_NotEq", "NotEq_Eq", "Is_IsNot", "IsNot_Is"),
    *("Lt_LtE", "Lt_GtE", "LtE_Lt", "LtE_Gt", "Gt_GtE", "Gt_LtE", "GtE_Gt", "GtE_Lt"),
)
_OTHERS = (
    *("ReplaceUnaryOperator_USub_UAdd", "ReplaceUnaryOperator_Delete_Not"),
    *("ReplaceUnaryOperator_Delete_Invert", "AddNot", "ReplaceTrueWithFalse"),
    *("ReplaceFalseWithTrue", "ReplaceAndWithOr", "ReplaceOrWithAnd", "ReplaceBreakWithContinue"),
    *("ReplaceContinueWithBreak", "ExceptionReplacer", "RemoveDecorator", "ZeroIterationForLoop"),
)


def _is_scaled(node: object) -> bool:
    """Whether a number is a fraction: one more or less would be no small mistake."""
    return (
        is_number(node) and isinstance(value := ast.literal_eval(node.value), float) and value > 0
    )


class WholeNumbers(NumberReplacer):
    """A whole number, or zero, one more and one less."""

    def mutation_positions(self, node: object) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
        """Skip fractions."""
        if not _is_scaled(node):
            yield from super().mutation_positions(node)


class Fractions(Operator):
    """A fraction a quarter larger and a fifth smaller."""

    def mutation_positions(self, node: object) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
        """Take fractions only."""
        if _is_scaled(node):
            yield from 2 * [(node.start_pos, node.end_pos)]

    def mutate(self, node: tree.Number, index: int) -> tree.Number:
        """Scale the number."""
        return tree.Number(f" {float(node.value) * (1.25, 0.8)[index]!r}", node.start_pos)

    @classmethod
    def examples(cls) -> tuple:
        """No examples of the library's own form."""
        return ()


@cache
def _operators() -> dict[str, Operator]:
    names = [f"ReplaceBinaryOperator_{name}" for name in (*_ARITHMETIC, *_BITS)]
    names += [f"ReplaceComparisonOperator_{name}" for name in _COMPARISON]
    found = {name: get_operator(f"core/{name}")() for name in (*names, *_OTHERS)}
    return found | {"WholeNumbers": WholeNumbers(), "Fractions": Fractions()}


@dataclass(frozen=True)
class Mutant:
    """One mistake planted in a module.

    Parameters
    ----------
    operator : str
    occurrence : int
        Which of the operator's places in the module.
    line : int
        Line of the module, from 1.
    function : str
        Innermost function or class, empty at module level.
    before, after : str
        The lines that differ, stripped.
    source : str
        The whole module with the mistake in it.
    """

    operator: str
    occurrence: int
    line: int
    function: str
    before: str
    after: str
    source: str

    @property
    def key(self) -> str:
        """What it is called in the file of results."""
        return f"{self.operator}:{self.occurrence}"


class _Bare(ast.NodeTransformer):
    """Take away what changes nothing at run time: annotations of functions and docstrings."""

    def visit_arg(self, node: ast.arg) -> ast.arg:
        node.annotation = None
        return node

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.FunctionDef:
        node.returns = None
        self.generic_visit(node)
        return node

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AnnAssign:
        node.annotation = ast.Constant(0)
        self.generic_visit(node)
        return node


def _bare(source: str) -> str:
    return ast.dump(_Bare().visit(ast.parse(source)))


def _functions(source: str) -> dict[int, str]:
    """Innermost function or class by line."""
    where: dict[int, str] = {}

    def walk(node: ast.AST, inside: str) -> None:
        for child in ast.iter_child_nodes(node):
            name = inside
            if isinstance(child, ast.FunctionDef | ast.ClassDef):
                name = f"{inside}.{child.name}".lstrip(".")
                first = min([child.lineno, *(d.lineno for d in child.decorator_list)])
                where.update(dict.fromkeys(range(first, (child.end_lineno or first) + 1), name))
            walk(child, name)

    walk(ast.parse(source), "")
    return where


def _differing(before: list[str], after: list[str]) -> tuple[int, str, str]:
    """First differing line from 1, and the lines that differ on both sides."""
    head = next(
        (i for i, (a, b) in enumerate(zip(before, after, strict=False)) if a != b),
        min(len(before), len(after)),
    )
    tail = 0
    while tail < min(len(before), len(after)) - head and before[-1 - tail] == after[-1 - tail]:
        tail += 1
    parts = (lines[head : len(lines) - tail] for lines in (before, after))
    return head + 1, *(" ".join(" ".join(part).split()) for part in parts)


def _sources(whole: Any, operator: Operator) -> Iterator[str]:
    """The module once for every place of the operator, mutated there.

    The library parses the module anew for each (`cosmic_ray.mutating.mutate_code`, fifty times as
    slow over a module); here the one tree is mutated, written out and mended.
    """
    for node in list(ast_nodes(whole)):
        for index, _ in enumerate(operator.mutation_positions(node)):
            inside = [(part, dict(_state(part))) for part in ast_nodes(node)]
            siblings = node.parent.children
            at = next(i for i, child in enumerate(siblings) if child is node)
            mutated = operator.mutate(node, index)
            siblings[at : at + 1] = [] if mutated is None else [mutated]
            yield whole.get_code()
            siblings[at : at + (mutated is not None)] = [node]
            for part, kept in inside:
                for name, value in kept.items():
                    setattr(part, name, value)


def _state(part: Any) -> Iterator[tuple[str, Any]]:
    """What an operator may change in a node of the tree."""
    for name in ("value", "prefix", "children"):
        if hasattr(part, name):
            value = getattr(part, name)
            yield name, list(value) if name == "children" else value


def mutants_of(source: str) -> list[Mutant]:
    """Every mutant that differs in what runs, in the order of the lines."""
    whole, functions = get_ast(source), _functions(source)
    bare, lines = _bare(source), source.split("\n")
    found, seen = [], set()
    for name, operator in _operators().items():
        for occurrence, changed in enumerate(_sources(whole, operator)):
            try:
                form = _bare(changed)
            except SyntaxError:
                continue
            if form == bare or form in seen:
                continue
            seen.add(form)
            line, before, after = _differing(lines, changed.split("\n"))
            where = functions.get(line, "")
            found.append(Mutant(name, occurrence, line, where, before, after, changed))
    return sorted(found, key=lambda mutant: (mutant.line, mutant.key))


def sample(mutants: list[Mutant], size: int, seed: int) -> list[Mutant]:
    """Every k-th mutant from a seeded start, so that all parts of the module have their share."""
    if len(mutants) <= size:
        return mutants
    step = len(mutants) / size
    start = random.Random(seed).uniform(0, step)
    return [mutants[int(start + step * i)] for i in range(size)]
