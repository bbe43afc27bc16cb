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

Span = tuple[int, int]
"""Where something begins and ends in a file, in bytes."""


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: the characters of a file that are replaced, and by what.

    ``probes`` are the expressions that are worked out where the change makes a difference: its own; for a pattern,
    what is matched; outside of functions, where a function names what it is a part of, and what that returns.
    """

    path: Path
    line: int
    start: int
    end: int
    old: str
    new: str
    within_a_function: bool
    probes: tuple[Span, ...]

    def __str__(self) -> str:
        return f"{self.path.name}:{self.line}: {' '.join(self.old.split())} -> {self.new}"

    def made(self, whole: bytes) -> bytes:
        """The file with the change, each line where it was."""
        lost = self.old.count("\n") - self.new.count("\n")
        new = self.new[:-1] + "\n" * lost + self.new[-1:]
        return whole[: self.start] + new.encode() + whole[self.end :]


def mutants(path: Path, text: str) -> Iterator[Mutant]:
    """Every change of a file; what only tells types and decorates is left alone."""
    lines, whole = [0], text.encode()
    for line in whole.splitlines(keepends=True):
        lines.append(lines[-1] + len(line))

    def span(node: ast.expr) -> Span:
        end, column = node.end_lineno or node.lineno, node.end_col_offset or node.col_offset
        return lines[node.lineno - 1] + node.col_offset, lines[end - 1] + column

    def walk(node: ast.AST, function: bool, probes: tuple[Span, ...] | None) -> Iterator[Mutant]:
        if isinstance(node, ast.expr):
            start, end = span(node)
            for new in _changes(node):
                changed = f"({ast.unparse(ast.fix_missing_locations(new))})"
                old = whole[start:end].decode()
                reached = probes if probes is not None else ((start, end),)
                yield Mutant(path, node.lineno, start, end, old, changed, function, reached)
        if isinstance(node, ast.Match):
            probes = (span(node.subject),)
        for part in _parts(node):
            inside = function or (isinstance(node, _FUNCTION) and not isinstance(part, ast.arguments))
            pattern = isinstance(node, ast.pattern) or isinstance(part, ast.match_case | ast.pattern)
            yield from walk(part, inside, probes if pattern or not inside else None)

    tree = ast.parse(text)
    for statement in tree.body:
        names = set(_names(statement))
        own = [one.value for one in _all(statement) if isinstance(one, ast.Return) and one.value]
        said = [
            one
            for one in _in_functions(tree)
            if isinstance(one, ast.Name) and isinstance(one.ctx, ast.Load) and one.id in names
        ]
        yield from walk(statement, False, tuple(sorted({span(one) for one in (*own, *said)})))


_FUNCTION = ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda


def _names(statement: ast.stmt) -> Iterator[str]:
    """What a statement of a module makes."""
    match statement:
        case ast.ClassDef(name=name) | ast.FunctionDef(name=name) | ast.AsyncFunctionDef(name=name):
            yield name
        case ast.Assign() | ast.AnnAssign():
            for one in ast.walk(statement):
                if isinstance(one, ast.Name) and isinstance(one.ctx, ast.Store):
                    yield one.id


def _in_functions(tree: ast.Module) -> Iterator[ast.AST]:
    for one in _all(tree):
        if isinstance(one, ast.FunctionDef | ast.AsyncFunctionDef):
            for statement in one.body:
                yield from _all(statement)


def _all(node: ast.AST) -> Iterator[ast.AST]:
    """A node and all within it, but for patterns and what is left alone."""
    yield node
    for part in _parts(node):
        if not isinstance(part, ast.pattern):
            yield from _all(part)


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


def _parts(node: ast.AST) -> Iterator[ast.AST]:
    """What a node is made of, but for types, decorators, and what has no place of its own."""
    left_alone = [getattr(node, name, None) for name in ("annotation", "returns")]
    left_alone += getattr(node, "decorator_list", ())
    if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
        left_alone.append(node.test)
    if not isinstance(node, ast.JoinedStr):  # before Python 3.12 its parts have no place of their own
        yield from (part for part in ast.iter_child_nodes(node) if part not in left_alone)
