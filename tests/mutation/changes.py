"""Small faults of a file: a comparison turned, a bound moved by one, an ``and`` made an ``or``, the like."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

_TURNED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: the characters of a file that are replaced, by what, and the functions around them.

    ``within`` has the first lines of the function and of the outermost one around it; none outside of functions.
    """

    path: Path
    line: int
    start: int
    end: int
    old: str
    new: str
    within: tuple[int, ...]

    def __str__(self) -> str:
        return f"{self.path.name}:{self.line}: {' '.join(self.old.split())} -> {self.new}"

    def made(self, whole: bytes) -> bytes:
        """The file with the change, each line where it was."""
        lost = self.old.count("\n") - self.new.count("\n")
        new = self.new[:-1] + "\n" * lost + self.new[-1:]
        return whole[: self.start] + new.encode() + whole[self.end :]


def mutants(path: Path, text: str) -> Iterator[Mutant]:
    """Every change of a file; what only tells types and decorates is left alone."""
    lines = [0]
    for line in text.encode().splitlines(keepends=True):
        lines.append(lines[-1] + len(line))

    def walk(node: ast.AST, within: tuple[int, ...]) -> Iterator[Mutant]:
        if isinstance(node, ast.expr) and node.end_lineno is not None:
            start = lines[node.lineno - 1] + node.col_offset
            end = lines[node.end_lineno - 1] + (node.end_col_offset or 0)
            old = text.encode()[start:end].decode()
            for new in _changes(node):
                changed = f"({ast.unparse(ast.fix_missing_locations(new))})"
                yield Mutant(path, node.lineno, start, end, old, changed, within)
        left_alone = {id(part) for part in _types(node)}
        inner = within
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) or (within and isinstance(node, ast.Lambda)):
            first = min([node.lineno, *(one.lineno for one in getattr(node, "decorator_list", ()))])
            inner = (first, within[1]) if within else (first, first)
        for part in ast.iter_child_nodes(node):
            if id(part) not in left_alone:
                yield from walk(part, within if isinstance(part, ast.arguments) else inner)

    yield from walk(ast.parse(text), ())


def _changes(node: ast.AST) -> Iterator[ast.expr]:
    match node:
        case ast.Compare(left, [operator], right) if type(operator) in _TURNED:
            yield ast.Compare(left, [_TURNED[type(operator)]()], right)
        case ast.BoolOp(ast.And(), values):
            yield ast.BoolOp(ast.Or(), values)
        case ast.BoolOp(ast.Or(), values):
            yield ast.BoolOp(ast.And(), values)
        case ast.UnaryOp(ast.Not(), operand):
            yield operand
        case ast.BinOp(left, ast.Add(), right):
            yield ast.BinOp(left, ast.Sub(), right)
        case ast.BinOp(left, ast.Sub(), right):
            yield ast.BinOp(left, ast.Add(), right)
        case ast.Constant(bool() as value):
            yield ast.Constant(not value)
        case ast.Constant(int() as value):
            yield ast.Constant(value + 1)
        case ast.IfExp(test, body, other):
            yield ast.IfExp(ast.UnaryOp(ast.Not(), test), body, other)


def _types(node: ast.AST) -> Iterator[ast.AST]:
    for name in ("annotation", "returns"):
        if (part := getattr(node, name, None)) is not None:
            yield part
    yield from getattr(node, "decorator_list", ())
    if isinstance(node, ast.JoinedStr):  # before Python 3.12 its parts have no place of their own
        yield from ast.iter_child_nodes(node)
    if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
        yield node.test
