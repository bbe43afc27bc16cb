"""Converting as a work: exams to bundles and the other outward forms."""

from __future__ import annotations

import gzip
import json
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import BinaryIO, cast

from adapter.catalogue import load_catalogue
from adapter.document import PdfNotInstalled
from adapter.exam import Exam
from adapter.read import Reading
from adapter.read.plan import load_plan
from adapter.run.aside import set_aside, setting_aside
from adapter.run.chunks import UNITS, Unit
from adapter.run.exams import readings_of
from adapter.run.outputs import INDEX, Named
from adapter.run.rows import Rows
from adapter.run.work import ChunkLost, Landing, Output, Taken, Tally, catalogue_identity
from adapter.write import NotWritable, write

_DATA = "data"
_LEVEL = 6


class Layout(StrEnum):
    """How what is converted lies: in one file, in a folder of parts, or in a folder with a file for each exam."""

    ONE = "one"
    PARTS = "parts"
    EACH = "each"


@dataclass(frozen=True, slots=True)
class Convert:
    """Exams to the outward form ``kind`` of :data:`adapter.write.OUTWARD`.

    Several exams in one file (``ONE``, ``PARTS``) ask for an encoding in which they may be joined. ``packed``: with
    gzip. ``plan`` is the column plan of the tables, with ``rows`` made from it.
    """

    kind: str = "transaction"
    encoding: str = "json"
    pretty: bool = False
    layout: Layout = Layout.ONE
    packed: bool = False
    site: Path | None = None
    plan: Path | None = None
    rows: Rows = field(default_factory=Rows)
    name: str = "convert"

    @property
    def outputs(self) -> tuple[Output, ...]:
        """One file, which lands as the layout says."""
        match self.layout:
            case Layout.ONE:
                return (Output(_DATA, "", Landing.JOIN),)
            case Layout.EACH:
                return (Output(_DATA, "", Landing.EACH),)
        ending = ("ndjson" if self.encoding == "json" else self.encoding) + (".gz" if self.packed else "")
        return (Output(_DATA, f"part-{{:05}}.{ending}", Landing.PART),)

    @property
    def most(self) -> int:
        """About a second's work."""
        return UNITS

    def identity(self) -> str:
        """The options and the catalogue."""
        catalogue = catalogue_identity(self.site, self.plan)
        return f"{self.kind} {self.encoding} {self.pretty} {self.layout} {self.packed} {catalogue}"

    def open(self) -> _Part:
        """With the catalogue loaded."""
        return _Part(self)

    def finish(self, kept: Path, out: Path) -> Tally:
        """Nothing is left to do."""
        return Tally()


class _Part:
    def __init__(self, work: Convert) -> None:
        self.work = work
        self.catalogue = load_catalogue(work.site)
        self.plan = load_plan(work.plan, self.catalogue)[0] if work.plan else None

    def begin(self, folder: Path) -> None:
        self.folder, self.stack, self.names = folder, ExitStack(), set[str]()
        file: BinaryIO = self.stack.enter_context((folder / _DATA).open("wb"))
        if self.work.layout is Layout.EACH:
            self.index: BinaryIO | None = self.stack.enter_context((folder / INDEX).open("wb"))
        else:
            self.index = None
        if self.work.packed:  # without name and time, so that the same exams give the same bytes
            packed = gzip.GzipFile(filename="", mode="wb", compresslevel=_LEVEL, fileobj=file, mtime=0)
            file = cast(BinaryIO, self.stack.enter_context(packed))
        self.data = file

    def take(self, unit: Unit) -> Iterator[Taken]:
        found = readings_of(unit, self.catalogue, self.plan)
        return setting_aside(self.folder, unit, (self._taken(unit, reading) for reading in found))

    def aside(self, unit: Unit, refused: Sequence[Taken]) -> None:
        set_aside(self.folder, unit, refused)

    def _taken(self, unit: Unit, reading: Reading) -> Taken:
        exam = reading.exam
        if exam is None or not reading.accepted:
            return Taken(True, reading.errors, exam.details.id if exam else "")
        work = self.work
        try:
            content = write(exam, self.catalogue, work.kind, work.encoding, pretty=work.pretty)
        except NotWritable as error:
            return Taken(True, tuple(error.problems), exam.details.id)
        except PdfNotInstalled as error:
            raise ChunkLost(str(error)) from None
        if self.index is not None:
            named = self._named(unit, exam, len(content))
            if named.name in self.names:
                return named.refused()
            self.names.add(named.name)
            self.index.write(json.dumps(asdict(named)).encode() + b"\n")
        self.data.write(content)
        return Taken(False, reading.problems, exam.details.id, len(exam.findings))

    def _named(self, unit: Unit, exam: Exam, length: int) -> Named:
        name = f"{exam.details.id}.{self.work.encoding}"
        return Named(name, length, exam.details.id, len(exam.findings), unit.form.value, unit.file, unit.at)

    def end(self) -> None:
        self.stack.close()
