"""Which changes a test reaches: the place of each holds a call of ``hit``, in every process that runs the copy."""

from __future__ import annotations

import gc
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path
from types import CodeType, FunctionType

from tests.mutation.changes import Mutant

_FOLDER = Path(__file__).resolve().parents[2] / ".reached"
_CALL = f"(__import__({__name__!r}, fromlist=('hit',)).hit({{}}) or ("


def hit(number: int) -> None:
    """The place of a change was reached; a file says so, since a test may start other processes."""
    if not (_FOLDER / str(number)).exists():
        (_FOLDER / str(number)).touch()


def since() -> set[int]:
    """What was reached since this was last asked."""
    _FOLDER.mkdir(exist_ok=True)
    reached = {int(path.name) for path in _FOLDER.iterdir()}
    for number in reached:
        (_FOLDER / str(number)).unlink()
    return reached


def probed(whole: bytes, changes: Iterable[tuple[int, Mutant]]) -> bytes:
    """A file that calls ``hit`` where a change would be, and is else what it was, each line where it was."""
    put: list[tuple[int, int, int, str]] = []
    for number, mutant in changes:
        for start, end in mutant.probes:
            put += [(start, 1, -end, _CALL.format(number)), (end, 0, -start, "))")]
    parts, last = [], 0
    for place, _, _, text in sorted(put):
        parts += [whole[last:place], text.encode()]
        last = place
    return b"".join([*parts, whole[last:]])


def put(path: Path) -> None:
    """The functions of a file as it now is, in the place of those that are held anywhere."""
    found: dict[tuple[int, str], list[CodeType]] = defaultdict(list)

    def look(code: CodeType) -> None:
        for inner in code.co_consts:
            if isinstance(inner, CodeType):
                found[inner.co_firstlineno, inner.co_qualname].append(inner)
                look(inner)

    look(compile(path.read_bytes(), str(path), "exec", dont_inherit=True))
    for held in gc.get_objects():
        if isinstance(held, FunctionType) and held.__code__.co_filename == str(path):
            same = found[held.__code__.co_firstlineno, held.__code__.co_qualname]
            if len(same) == 1 and same[0].co_freevars == held.__code__.co_freevars:
                held.__code__ = same[0]
