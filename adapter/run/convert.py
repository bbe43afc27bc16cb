"""Converting as a work: exams to bundles and the other outward forms."""

from __future__ import annotations

import gzip
import hashlib
import json
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import asdict, dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import BinaryIO, cast

from adapter.catalogue import Catalogue, load_catalogue
from adapter.errors import NotInstalled
from adapter.exam import Exam
from adapter.read import Reading, to_json
from adapter.run.exams import cut_for, plan_of, readings_of
from adapter.run.inputs import Cut, Given, Stream
from adapter.run.later_versions import Lineage, Placing, lineage
from adapter.run.outputs import INDEX, NamedFile
from adapter.run.pieces import PIECES, Piece
from adapter.run.rejects import reject, rejecting
from adapter.run.work import ChunkLost, Handled, Landing, NotPossible, Output, Tally, catalogue_identity
from adapter.write import OUTWARD, NotWritable, allowed, encodings_of, left_out, unmet_profiles, write

DATA = "data"
"""The file of a chunk that holds what was converted."""

_LEVEL = 6
_ENDINGS = {
    "json": "json",
    "ndjson": "json",
    "jsonl": "json",
    "xml": "xml",
    "html": "html",
    "htm": "html",
    "pdf": "pdf",
    "er7": "er7",
    "hl7": "er7",
}
"""The encoding that a file's ending promises to whoever opens it."""


class Layout(StrEnum):
    """How what is converted lies: in one file, in a folder of parts, or in a folder with a file for each exam."""

    ONE = "one"
    PARTS = "parts"
    EACH = "each"


@dataclass(frozen=True, slots=True)
class Convert:
    """Exams to the outward form ``kind`` of :data:`adapter.write.OUTWARD`, in one of its encodings, the usual if
    none.

    Without an ``encoding`` the output's ending decides, and one that says another is refused. Without a ``layout``
    the output's name decides: a folder, or a name without an ending, gets a file per exam.
    Several exams in one file ask for an encoding in which they may be joined, and not to be ``pretty``. ``packed``:
    with gzip, as where the output's name ends in ``.gz``. ``earlier``: exams before these, judged with them.
    ``plan`` is the column plan of tables. ``fhir``: R4, R4B or R5, in place of what the site's settings say.
    :meth:`prepared` finds ``lineage``, how amended exams hang together.
    """

    kind: str = "transaction"
    encoding: str | None = None
    pretty: bool = False
    layout: Layout | None = None
    packed: bool = False
    earlier: tuple[Exam, ...] = ()
    site: Path | None = None
    plan: Path | None = None
    fhir: str | None = None
    cut: Cut = field(default_factory=Cut)
    lineage: Lineage = field(default_factory=Lineage)
    name: str = "convert"

    @property
    def joined(self) -> bool:
        """Whether several exams may stand in one file."""
        return self.encoding in OUTWARD[self.kind].joined and not self.pretty

    @property
    def outputs(self) -> tuple[Output, ...]:
        """One file, which lands as the layout says."""
        match self.layout:
            case Layout.EACH:
                return (Output(DATA, "", Landing.EACH),)
            case Layout.PARTS:
                ending = f"{'ndjson' if self.encoding == 'json' else self.encoding}{'.gz' if self.packed else ''}"
                return (Output(DATA, f"part-{{:05}}.{ending}", Landing.PART),)
        return (Output(DATA, "", Landing.JOIN if self.joined else Landing.ALONE, self.needs_a_folder),)

    @property
    def needs_a_folder(self) -> str:
        """What is said where several exams cannot be in one file."""
        return f"several exams as {self.encoding} or indented need a folder: --out FOLDER/"

    @property
    def most(self) -> int:
        """About a second's work."""
        return PIECES

    def prepared(self, inputs: Sequence[Given], out: Path | None) -> Convert:
        """With encoding, layout and cut as the form, the output's name and the plan ask for."""
        catalogue = catalogue_in(self.site, self.fhir)
        encodings = encodings_of(self.kind, catalogue)
        folder = out is not None and (out.is_dir() or not out.suffix)
        promised = None if out is None or folder else _promised(out)
        if out is not None and not folder and not (self.encoding or promised) and "pdf" in encodings:
            raise NotPossible(f"{out}: a name that ends in {' or '.join(f'.{one}' for one in encodings)}")
        encoding = self.encoding or promised or encodings[0]
        if encoding not in encodings:
            raise NotPossible(f"{self.kind} is written as {' or '.join(encodings)}, not as {encoding}")
        if promised not in (None, encoding):
            raise NotPossible(f"{out} would hold {encoding}, which its ending does not say: name it .{encoding}")
        if self.kind not in allowed(catalogue):
            may = ", ".join(allowed(catalogue))
            raise NotPossible(f"this site does not write {self.kind}; its settings allow {may}")
        if out is None and self.layout not in (None, Layout.ONE):
            raise NotPossible("parts need a folder: --out FOLDER/")
        layout = self.layout or (Layout.EACH if folder else Layout.ONE)
        packed = self.packed or (out is not None and out.suffix.lower() == ".gz")
        made = replace(self, encoding=encoding, layout=layout, packed=packed, cut=cut_for(catalogue, self.plan))
        if layout is Layout.PARTS and not made.joined:
            raise NotPossible(made.needs_a_folder)
        if any(isinstance(given, Stream) for given in inputs):
            return made  # it is worked on as it comes
        return replace(made, lineage=lineage(inputs, made.cut, catalogue, plan_of(self.plan, catalogue)))

    def identity(self) -> str:
        """The options, the catalogue and the earlier exams."""
        earlier = hashlib.blake2b(b"".join(map(to_json, self.earlier)), digest_size=8).hexdigest()
        catalogue = catalogue_identity(self.site, self.plan)
        how = f"{self.kind} {self.encoding} {self.pretty} {self.layout} {self.packed} {self.fhir}"
        return f"{how} {earlier} {self.lineage.identity()} {catalogue}"

    def open(self) -> _Maker:
        """With the catalogue loaded."""
        return _Maker(self)

    def finish(self, kept: Path, out: Path) -> Tally:
        """Nothing is left to do."""
        return Tally()


def catalogue_in(site: Path | None, fhir: str | None) -> Catalogue:
    """The site's catalogue, with another release of FHIR where one is named."""
    catalogue = load_catalogue(site)
    if fhir is None:
        return catalogue
    return replace(catalogue, settings=catalogue.settings.model_copy(update={"fhir": fhir}))


def _promised(out: Path) -> str | None:
    name = out.with_suffix("") if out.suffix.lower() == ".gz" else out
    return _ENDINGS.get(name.suffix.lower().removeprefix("."))


class _Maker:
    def __init__(self, work: Convert) -> None:
        self.work, self.placed = work, Placing(work.lineage)
        self.catalogue = catalogue_in(work.site, work.fhir)
        self.plan = plan_of(work.plan, self.catalogue)

    def begin(self, folder: Path) -> None:
        self.folder, self.stack, self.names, self.count = folder, ExitStack(), set[str](), 0
        file: BinaryIO = self.stack.enter_context((folder / DATA).open("wb"))
        if self.work.layout is Layout.EACH:
            self.index: BinaryIO | None = self.stack.enter_context((folder / INDEX).open("wb"))
        else:
            self.index = None
        if self.work.packed:  # without name and time, so that the same exams give the same bytes
            packed = gzip.GzipFile(filename="", mode="wb", compresslevel=_LEVEL, fileobj=file, mtime=0)
            file = cast(BinaryIO, self.stack.enter_context(packed))
        self.data = file

    def take(self, piece: Piece) -> Iterator[Handled]:
        found = readings_of(piece, self.catalogue, self.plan)
        return rejecting(self.folder, piece, (self._handled(piece, reading) for reading in found))

    def reject(self, piece: Piece, refused: Sequence[Handled]) -> None:
        reject(self.folder, piece, refused)

    def _handled(self, piece: Piece, reading: Reading) -> Handled:
        exam = reading.exam
        if exam is None or not reading.accepted:
            return Handled(True, reading.errors, exam.details.id if exam else "")
        work, exam = self.work, self.placed.rooted(exam)
        if faults := self.placed.faults(exam, piece):
            return Handled(True, faults, exam.details.id)
        try:
            content = write(exam, self.catalogue, work.kind, work.encoding, pretty=work.pretty, earlier=work.earlier)
        except NotWritable as error:
            return Handled(True, tuple(error.problems), exam.details.id)
        except NotInstalled as error:
            raise ChunkLost(str(error), for_good=True) from None
        if self.index is not None:
            named = self._named(piece, exam, len(content))
            if named.name in self.names:
                return named.refused()
            self.names.add(named.name)
            self.index.write(json.dumps(asdict(named)).encode() + b"\n")
        elif self.count and not work.joined:
            raise ChunkLost(work.needs_a_folder, for_good=True)
        self.count += 1
        self.data.write(content)
        unmet = [*unmet_profiles(exam, self.catalogue, work.kind), *left_out(exam, work.kind)]
        remark = "; ".join(f"{one.where}: {one.what} ({one.remedy})" for one in unmet)
        return Handled(False, (*reading.problems, *unmet), exam.details.id, len(exam.findings), remark=remark)

    def _named(self, piece: Piece, exam: Exam, length: int) -> NamedFile:
        name = f"{exam.details.id}.{self.work.encoding}"
        return NamedFile(name, length, exam.details.id, len(exam.findings), piece.kind.value, piece.file, piece.at)

    def end(self) -> None:
        self.stack.close()
        if not self.count and not self.work.joined:
            (self.folder / DATA).unlink()  # packed, it would not be empty, and so not alone
