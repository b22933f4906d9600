"""Which constants of a module are bare numbers: no word says what they are or where they come from.

A number is told by the docstring below it, or below the constants that follow it line by line, or
by a comment on its line or above it. A ``Threshold`` carries unit and source itself.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator

_FIGURES = {"timedelta", "Figure"}


def bare_numbers(source: str) -> Iterator[str]:
    """Name the constants at the top of a module that are numbers of which nothing is told."""
    lines = source.splitlines()
    body = ast.parse(source).body
    for place, node in enumerate(body):
        name = _constant(node)
        if name is not None and not _is_told(body, place, lines):
            yield name


def _constant(node: ast.stmt) -> str | None:
    """Give the name of a constant that is a number other than nothing, or None."""
    if isinstance(node, ast.AnnAssign):
        target, value = node.target, node.value
    elif isinstance(node, ast.Assign):
        target, value = node.targets[0], node.value
    else:
        return None
    is_constant = isinstance(target, ast.Name) and target.id.strip("_").isupper()
    return target.id if is_constant and value is not None and _is_number(value) else None


def _is_number(value: ast.expr) -> bool:
    match value:
        case ast.Constant(value=bool()):
            return False
        case ast.Constant(value=int() | float()):
            return True
        case ast.BinOp(left=left, right=right):
            return _is_number(left) and _is_number(right)
        case ast.UnaryOp(operand=operand):
            return _is_number(operand)
        case ast.Call(func=ast.Name(id=name), args=[ast.Constant(value=0)]) if name in _FIGURES:
            return False
        case ast.Call(func=ast.Name(id=name)):
            return name in _FIGURES
    return False


def _is_told(body: list[ast.stmt], place: int, lines: list[str]) -> bool:
    """Tell whether a docstring or a comment says what a constant is."""
    while True:
        node = body[place]
        beside, above = lines[(node.end_lineno or 0) - 1], lines[node.lineno - 2]
        if "  # " in beside or above.startswith("# "):
            return True
        place += 1
        if place == len(body) or body[place].lineno != (node.end_lineno or 0) + 1:
            return False
        if isinstance(body[place], ast.Expr):
            return True
