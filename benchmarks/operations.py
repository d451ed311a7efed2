"""Floating-point operations of one pass of one beam, counted in the source of the kernel."""

from __future__ import annotations

import ast
import inspect
import textwrap
from collections import Counter

from autocell.optics import lanes

_INLINED = ("_reflect", "_carry_beam", "squared_radii")


def per_pass_step() -> Counter[str]:
    """Of :func:`autocell.optics.lanes.cross_to_sphere` with all that it calls: additions and
    subtractions, multiplications, divisions, square roots, and numbers stored."""
    return _count(lanes.cross_to_sphere)


def _count(function: object) -> Counter[str]:
    tree = ast.parse(textwrap.dedent(inspect.getsource(function.py_func)))
    counter = _Counter()
    for statement in tree.body[0].body:
        counter.visit(statement)
    return counter.found


class _Counter(ast.NodeVisitor):
    """Walks arithmetic, not the arithmetic of indices."""

    def __init__(self) -> None:
        self.found: Counter[str] = Counter()

    def visit_Subscript(self, node: ast.Subscript) -> None:
        if isinstance(node.ctx, ast.Store):
            self.found["stores"] += 1

    def visit_BinOp(self, node: ast.BinOp) -> None:
        self._operation(node.op)
        self.generic_visit(node)

    def visit_AugAssign(self, node: ast.AugAssign) -> None:
        self._operation(node.op)
        self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        name = ast.unparse(node.func)
        if name == "math.sqrt":
            self.found["roots"] += 1
        elif name in _INLINED:
            self.found += _count(getattr(lanes, name))
        self.generic_visit(node)

    def _operation(self, operator: ast.operator) -> None:
        kind = {ast.Add: "additions", ast.Sub: "additions", ast.Mult: "multiplications"}
        self.found[kind.get(type(operator), "divisions")] += 1
