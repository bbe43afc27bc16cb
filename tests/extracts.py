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
from adapter.write.tables import TabledExam
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
            dated = deidentifier is None or deidentifier.dated
            more = {"notes": notes, "keys": keys, "dated": dated}
            files[form] = OmopFiles(where, catalogue, load_concepts(), encoding, **more)
        else:
            for name, view in views(catalogue).items():
                (where / f"{name}.json").write_bytes(dumps(view, pretty=True) + b"\n")
    tables_alone = set(files) <= {"tables"}
    exams = [e for e in exams if not (tables_alone and e.details.status is Status.ENTERED_IN_ERROR)]
    released, refused = exams, 0
    if deidentifier is not None:
        released, refused = _released(exams, deidentifier)
    for exam in released:
        tabled = TabledExam(exam, catalogue, dated=deidentifier is None or deidentifier.dated)
        for form, one in files.items():
            if isinstance(one, BulkDataFiles):
                one.add(exam, dated=tabled.dated)
            elif form != "tables" or exam.details.status is not Status.ENTERED_IN_ERROR:
                one.add(tabled)
    for one in files.values():
        one.close()
    if deidentifier is not None:
        deidentifier.write(folder)
    return len(released), refused


def _released(exams: Iterable[Exam], deidentifier: Deidentifier) -> tuple[list[Exam], int]:
    """The exams as they are released, in the order of their pseudonyms, and how many were refused."""
    admitted, refused = [], 0
    for exam in exams:
        made, among = deidentifier.made(exam)
        try:
            deidentifier.admit(among)
        except OtherFamily:
            refused += 1
        else:
            admitted.append((made, among))
    deidentifier.close_admission()
    staying = [made for made, among in admitted if deidentifier.stays(among)]
    return sorted(staying, key=lambda one: one.details.id), refused
