"""A research extract: exams in any of the forms that research takes, each exam once, in flat memory."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Protocol, Self

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Status
from adapter.fhir.json import dumps
from adapter.write.bulk_data import BulkDataFiles
from adapter.write.deidentify import Deidentifier
from adapter.write.omop import Keys, OmopFiles, load_concepts
from adapter.write.tables import TABLES
from adapter.write.tables.files import TableFiles
from adapter.write.views import views

FORMS = ("tables", "ndjson", "views", "omop")


class _Files(Protocol):
    def add(self, exam: Exam) -> None: ...

    def abandon(self) -> None: ...

    def close(self) -> None: ...


class Extract:
    """The files of an extract as they are written.

    ``tables`` stand in the folder itself, FHIR NDJSON in ``fhir/``, ViewDefinitions in ``views/``, OMOP tables in
    ``omop/``. With a ``deidentifier`` every exam goes through it first, and what it did is written too. What was
    entered in error is left out of the tables unless ``retracted``; FHIR says it in each resource's status.
    """

    def __init__(
        self,
        folder: Path,
        catalogue: Catalogue,
        forms: Sequence[str] = ("tables",),
        encoding: str = "csv",
        *,
        tables: Sequence[str] = tuple(TABLES),
        deidentifier: Deidentifier | None = None,
        site: Path | None = None,
        notes: bool = False,
        keys: Keys | None = None,
        retracted: bool = False,
    ) -> None:
        self._folder, self._deidentifier, self._keep = folder, deidentifier, retracted
        self._files: list[_Files] = []
        self.exams = 0
        self.retracted = 0
        if "tables" in forms:
            self._files.append(TableFiles(folder, catalogue, encoding, tables))
        if "ndjson" in forms:
            self._files.append(BulkDataFiles(_made(folder / "fhir"), catalogue))
        if "omop" in forms:
            concepts = load_concepts(site)
            where = _made(folder / "omop")
            self._files.append(OmopFiles(where, catalogue, concepts, encoding, keys=keys, notes=notes))
        if "views" in forms:
            where = _made(folder / "views")
            for name, view in views(catalogue).items():
                (where / f"{name}.json").write_bytes(dumps(view, pretty=True) + b"\n")

    def add(self, exam: Exam) -> None:
        """Add an exam. Raises :class:`adapter.write.deidentify.OtherFamily`, and then nothing of it was written."""
        files = self._files
        if exam.details.status is Status.ENTERED_IN_ERROR and not self._keep:
            files = [one for one in files if not isinstance(one, TableFiles)]
            self.retracted += 1
            if not files:
                return
        if self._deidentifier is not None:
            exam = self._deidentifier(exam)
        for one in files:
            one.add(exam)
        self.exams += 1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None
    ) -> None:
        """Finishes the files, or lets go of them where something went wrong."""
        if kind is None:
            self.close()
        else:
            for files in self._files:
                files.abandon()

    def close(self) -> None:
        """Finish all files."""
        for files in self._files:
            files.close()
        if self._deidentifier is not None:
            self._deidentifier.write(self._folder)


def _made(folder: Path) -> Path:
    folder.mkdir()
    return folder
