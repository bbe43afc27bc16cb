"""``python -m tests.mutation ROOM [TESTS ...] [--count N] [--seed N]``: do the tests see a fault in a room?

In a copy of the repository, one small change after another is made in ``adapter/ROOM`` (a comparison turned, a
bound moved by one, an ``and`` made an ``or``, a condition negated), and the tests run until one fails; ``TESTS`` are
those of the room (``tests/ROOM`` without them). A change that no test sees is printed with its place: either a test
is missing, or the change makes no difference, which a person decides. It asserts nothing, and takes minutes.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
_TURNED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
MINUTES = 5


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: the file, the characters of it that are replaced, and by what."""

    path: Path
    line: int
    start: int
    end: int
    old: str
    new: str

    def __str__(self) -> str:
        return f"{self.path}:{self.line}: {self.old} -> {self.new}"


def changes(node: ast.AST) -> Iterator[ast.expr]:
    """What may stand in the place of an expression, each with one fault."""
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


def mutants(path: Path, text: str) -> Iterator[Mutant]:
    """Every change of a file; what only tells types and decorates is left alone."""
    lines = [0]
    for line in text.encode().splitlines(keepends=True):
        lines.append(lines[-1] + len(line))
    tree = ast.parse(text)
    told = {id(inner) for node in ast.walk(tree) for part in _types(node) for inner in ast.walk(part)}
    for node in ast.walk(tree):
        if not isinstance(node, ast.expr) or id(node) in told or node.end_lineno is None:
            continue
        start = lines[node.lineno - 1] + node.col_offset
        end = lines[node.end_lineno - 1] + (node.end_col_offset or 0)
        old = text.encode()[start:end].decode()
        for new in changes(node):
            yield Mutant(path, node.lineno, start, end, old, f"({ast.unparse(ast.fix_missing_locations(new))})")


def _types(node: ast.AST) -> Iterator[ast.AST]:
    for name in ("annotation", "returns"):
        if (part := getattr(node, name, None)) is not None:
            yield part
    yield from getattr(node, "decorator_list", ())
    if isinstance(node, ast.JoinedStr):  # before Python 3.12 its parts have no place of their own
        yield node


def seen(mutant: Mutant, copy: Path, tests: list[str]) -> bool:
    """Whether a test fails, or none ends in time, with the change in the copy."""
    path = copy / mutant.path
    whole = path.read_bytes()
    path.write_bytes(whole[: mutant.start] + mutant.new.encode() + whole[mutant.end :])
    try:
        return not passes(copy, tests)
    finally:
        path.write_bytes(whole)


def passes(copy: Path, tests: list[str]) -> bool:
    """Whether all tests pass, in time, on the copy as it is."""
    command = [sys.executable, "-m", "pytest", "-x", "-q", *tests]
    environment = {**os.environ, "PYTHONPATH": str(copy)}
    with suppress(subprocess.TimeoutExpired):
        done = subprocess.run(
            command, cwd=copy, env=environment, capture_output=True, timeout=60 * MINUTES, check=False
        )
        return done.returncode == 0
    return False


def main() -> None:
    """Make the changes one by one, and print those that no test saw."""
    arguments = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    arguments.add_argument("room")
    arguments.add_argument("tests", nargs="*")
    arguments.add_argument("--count", type=int, default=20)
    arguments.add_argument("--seed", type=int, default=1)
    given = arguments.parse_args()
    files = sorted((ROOT / "adapter" / given.room).rglob("*.py"))
    every = [one for path in files for one in mutants(path.relative_to(ROOT), path.read_text(encoding="utf-8"))]
    chosen = random.Random(given.seed).sample(every, min(given.count, len(every)))
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        subprocess.run(["git", "clone", "-q", str(ROOT), str(copy)], check=True)
        (copy / ".cache").symlink_to(ROOT / ".cache")
        survived, tests = 0, given.tests or [f"tests/{given.room}"]
        if not passes(copy, tests):
            sys.exit(f"{' '.join(tests)}: a test fails, or there is none, without any change")
        for mutant in chosen:
            if not seen(mutant, copy, tests):
                survived += 1
                print(f"not seen: {mutant}", flush=True)
    print(f"{given.room}: {len(chosen) - survived} of {len(chosen)} seen, of {len(every)} that there are")


if __name__ == "__main__":
    main()
