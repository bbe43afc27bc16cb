"""An extract written exam after exam through the writers themselves, without runs and chunks."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from adapter.catalogue import Catalogue
from adapter.exam import Exam, Status
from adapter.fhir.json import dumps
from adapter.write.bulk_data import BulkDataFiles
from adapter.write.deidentify import Deidentifier, OtherFamily
from adapter.write.omop import Keys, OmopFiles, load_concepts
from adapter.write.tables.files import TableFiles
from adapter.write.views import views

FORMS = ("tables", "ndjson", "omop", "views")


def written_at_once(
    exams: Iterable[Exam],
    catalogue: Catalogue,
    folder: Path,
    forms: Iterable[str] = FORMS,
    encoding: str = "csv",
    *,
    deidentifier: Deidentifier | None = None,
    notes: bool = False,
) -> tuple[int, int]:
    """How many exams are in it, and how many were refused."""
    files: dict[str, TableFiles | BulkDataFiles | OmopFiles] = {}
    folder.mkdir(parents=True, exist_ok=True)
    for form in forms:
        where = folder / {"tables": "", "ndjson": "fhir"}.get(form, form)
        where.mkdir(exist_ok=True)
        if form == "tables":
            files[form] = TableFiles(where, catalogue, encoding)
        elif form == "ndjson":
            files[form] = BulkDataFiles(where, catalogue)
        elif form == "omop":
            keys = Keys(made_for=deidentifier.mark) if deidentifier is not None else None
            files[form] = OmopFiles(where, catalogue, load_concepts(), encoding, notes=notes, keys=keys)
        else:
            for name, view in views(catalogue).items():
                (where / f"{name}.json").write_bytes(dumps(view, pretty=True) + b"\n")
    done = refused = 0
    for exam in exams:
        if exam.details.status is Status.ENTERED_IN_ERROR and set(files) <= {"tables"}:
            continue
        try:
            made = deidentifier(exam) if deidentifier is not None else exam
        except OtherFamily:
            refused += 1
            continue
        done += 1
        for form, one in files.items():
            if form != "tables" or exam.details.status is not Status.ENTERED_IN_ERROR:
                one.add(made)
    for one in files.values():
        one.close()
    if deidentifier is not None:
        deidentifier.write(folder)
    return done, refused
