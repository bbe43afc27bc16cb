"""The outputs of a run while it goes: chunk after chunk is put in its place, in order, in the run's own folder."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from adapter.files.whole import narrow
from adapter.problems import Layer, Problem, Severity
from adapter.run.journal import RunJournal
from adapter.run.pieces import Piece, PieceKind
from adapter.run.rejects import REJECTED, output_of, reject
from adapter.run.work import Handled, Landing, NotPossible, Output, RunError, Tally

_COPIED = 4 * 1024 * 1024
OUT, KEPT = "out", "kept"
INDEX = "index"


@dataclass(frozen=True, slots=True)
class NamedFile:
    """A file that a chunk's file is cut into: name and length, and the exam it is of and where that came from."""

    name: str
    length: int
    exam: str
    findings: int
    kind: str
    file: str
    at: int

    def refused(self) -> Handled:
        """The exam, refused because its file would take the place of another."""
        what, remedy = f"exam {self.exam} comes again, and each is a file of that name", "each id once, or NDJSON"
        problem = Problem(
            Severity.ERROR, Layer.CAPTURE, "exam-twice", what, remedy, file=self.file, line=self.at or None
        )
        return Handled(True, (problem,), self.exam)


class Outputs:
    """``folder`` is the run's; in it grow ``out``, a file or folder as ``outputs`` say, and ``rejected``."""

    def __init__(self, folder: Path, outputs: Iterable[Output], journal: RunJournal) -> None:
        self.folder, self.outputs, self.journal = folder, tuple(outputs), journal
        self.lengths: dict[str, int] = {}

    @property
    def is_folder(self) -> bool:
        """Whether the output is a folder."""
        return any(output.target or output.landing is Landing.EACH for output in self.outputs)

    def go_on(self) -> None:
        """Cut off what an interrupted chunk left behind; raises RunError where something is missing."""
        last = self.journal.last
        self.lengths = dict(last.lengths) if last else {}
        known = {self.folder / name: length for name, length in self.lengths.items()}
        for path in [*self._grown(), *known]:
            if path not in known:
                path.unlink(missing_ok=True)
            elif not path.is_file() or path.stat().st_size < known[path]:
                raise RunError(f"{path} is shorter than it was: delete {self.folder} and begin again")
            else:
                os.truncate(path, known[path])
        for name in self.journal.pending:
            (self.folder / OUT / name).unlink(missing_ok=True)
        if self.is_folder:
            (self.folder / OUT).mkdir(exist_ok=True)
        else:
            (self.folder / OUT).touch()

    def _grown(self) -> Iterator[Path]:
        """The files that grow, as they are now, and the parts after the last chunk."""
        rejected = self.folder / REJECTED
        if rejected.is_dir():
            yield from sorted(rejected.iterdir())
        begun = self.journal.last.number if self.journal.last else -1
        for output in self.outputs:
            target = self._target(output, begun + 1)
            if output.landing is not Landing.EACH and target.is_file():
                yield target

    def _target(self, output: Output, number: int) -> Path:
        if output.landing is Landing.KEEP:
            return self.folder / KEPT / output.target.format(number)
        name = output.target.format(number) if output.landing is Landing.PART else output.target
        return self.folder / OUT / name if name else self.folder / OUT

    def take(self, number: int, made: Path) -> list[NamedFile]:
        """Put the files of a finished chunk in; the files whose name was there already, which are refused."""
        twice: list[NamedFile] = []
        for output in self.outputs:
            source = made / output.name
            if not source.is_file():
                continue
            if output.landing is Landing.EACH:
                twice += self._each(source)
            elif output.landing in (Landing.PART, Landing.KEEP):
                target = self._target(output, number)
                target.parent.mkdir(parents=True, exist_ok=True)
                source.replace(target)
            elif output.landing is Landing.ALONE and source.stat().st_size and (self.folder / OUT).stat().st_size:
                raise NotPossible(output.alone)
            else:
                self._join(source, self._target(output, number), output.landing is Landing.TABLE)
        rejected = made / REJECTED
        for source in sorted(rejected.iterdir()) if rejected.is_dir() else ():
            output = output_of(source.name)
            (self.folder / REJECTED).mkdir(mode=0o700, exist_ok=True)
            self._join(source, self.folder / REJECTED / output.target, output.landing is Landing.TABLE)
        shutil.rmtree(made, ignore_errors=True)
        return twice

    def _join(self, source: Path, target: Path, header: bool) -> None:
        target.parent.mkdir(parents=True, exist_ok=True)
        with source.open("rb") as file, target.open("ab") as joined:
            if header and joined.tell():
                file.readline()
            shutil.copyfileobj(file, joined, _COPIED)
            self.lengths[str(target.relative_to(self.folder))] = joined.tell()

    def _each(self, source: Path) -> list[NamedFile]:
        """Cut a file into the files it is made of. The first of a name stays."""
        index = [NamedFile(**json.loads(line)) for line in source.with_name(INDEX).read_bytes().splitlines()]
        whole = self.folder / OUT
        twice = [named for named in index if (whole / named.name).exists()]
        self.journal.adding([named.name for named in index if named not in twice])
        with source.open("rb") as file:
            for named in index:
                content = file.read(named.length)
                if named not in twice:
                    (whole / named.name).write_bytes(content)
        for named in twice:
            reject(source.parent, Piece(PieceKind(named.kind), named.file, named.at), [named.refused()])
        return twice

    def land(self, out: Path, tally: Tally) -> Path | None:
        """Give everything its name; the folder with what was refused, or None. Can be done again after a kill.

        A file in which there is nothing since all was refused is not written: what was there before stays.
        """
        nothing = tally.refused and not (tally.done or self.is_folder or any(one.of_refused for one in self.outputs))
        made, refused, rejected = self.folder / OUT, self.folder / REJECTED, out.with_name(f"{out.name}.rejected")
        for private in (made, refused):  # of persons: for their owner only, before they have a name
            if private.exists():
                narrow(private)
        if made.is_dir() and out.is_dir() and not any(out.iterdir()):
            out.rmdir()
        if made.is_dir() and out.is_dir():
            for path in made.iterdir():
                path.replace(out / path.name)
        elif made.exists() and not nothing:
            _synced(made)
            made.replace(out)
        landed = self.folder / "rejects-landed"
        if not landed.exists():
            shutil.rmtree(rejected, ignore_errors=True)  # of an earlier run
            if refused.is_dir():
                refused.replace(rejected)
            landed.touch()
        return rejected if rejected.is_dir() else None


def _synced(path: Path) -> None:
    """On the disk before it has its name."""
    for file in path.rglob("*") if path.is_dir() else [path]:
        if file.is_file():
            with file.open("rb") as opened:
                os.fsync(opened.fileno())
