"""Extracting as a work: exams to research tables, de-identified where that is asked for.

A worker makes the tables of its chunk. What only all chunks together can tell is done at the end
(:mod:`adapter.run.gather`).
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive.versions import Versions, may_amend
from adapter.exam import Exam, ExamDetails, Status
from adapter.read import Reading
from adapter.read.plan import Plan, load_plan
from adapter.run.aside import set_aside, setting_aside
from adapter.run.chunks import Form, Unit
from adapter.run.exams import exams_of
from adapter.run.gather import COUNTS, MET, Met, as_plain, gather
from adapter.run.inputs import units_of
from adapter.run.rows import Rows
from adapter.run.work import ChunkLost, Landing, Output, Taken, Tally, catalogue_identity
from adapter.write.deidentify import Deidentifier, load_policy, read_key
from adapter.write.deidentify.exam import deidentify, family
from adapter.write.deidentify.quasi import QUASI_IDENTIFIERS
from adapter.write.tables import TABLES, Known, Row
from adapter.write.tables.files import TableFiles

_MARKS = (b"amend", b"entered-in-error")


@dataclass(frozen=True, slots=True)
class Extract:
    """Exams to the tables of :data:`adapter.write.tables.TABLES`, as CSV or Parquet.

    ``latest``: which versions of amended exams count (:func:`latest_versions`), retractions apart, which leave
    nothing; with ``every_version`` all do.
    ``policy`` de-identifies, with the key in ``key_file`` or the environment variable ``key_env``.
    """

    tables: tuple[str, ...] = tuple(TABLES)
    encoding: str = "csv"
    site: Path | None = None
    plan: Path | None = None
    rows: Rows = field(default_factory=Rows)
    latest: tuple[tuple[str, str], ...] = ()
    every_version: bool = False
    policy: str | None = None
    key_file: Path | None = None
    key_env: str | None = None
    name: str = "extract"

    @property
    def outputs(self) -> tuple[Output, ...]:
        """The tables of a chunk, and what it met; kept until all are there."""
        files = {f"{name}.{self.encoding}": f"{name}/{{:05}}.{self.encoding}" for name in self.tables}
        files |= {MET: f"{MET}/{{:05}}", COUNTS: f"{COUNTS}/{{:05}}"}
        return tuple(Output(name, target, Landing.KEEP) for name, target in files.items())

    @property
    def most(self) -> int:
        """More than for other works: a chunk becomes a file of each table."""
        return 500

    def identity(self) -> str:
        """The options, the catalogue and the versions; of the key only a pseudonym that it makes."""
        policy = ""
        if self.policy is not None:
            key = read_key(self.key_file, self.key_env).name("run", "identity")
            policy = f"{load_policy(self.policy).model_dump_json()} {key}"
        catalogue = catalogue_identity(self.site, self.plan)
        return f"{self.tables} {self.encoding} {self.latest} {self.every_version} {policy} {catalogue}"

    def open(self) -> _Part:
        """With the catalogue loaded."""
        return _Part(self)

    def finish(self, kept: Path, out: Path) -> Tally:
        """The tables out of those of the chunks, and the data dictionary."""
        catalogue = load_catalogue(self.site)
        return gather(kept, out, self.tables, self.encoding, catalogue, self.deidentifier(catalogue))

    def deidentifier(self, catalogue: Catalogue) -> Deidentifier | None:
        """As the policy says; None without one."""
        if self.policy is None:
            return None
        return Deidentifier(load_policy(self.policy), read_key(self.key_file, self.key_env), catalogue)


def latest_versions(
    inputs: Sequence[Path], catalogue: Catalogue, rows: Rows, plan: Plan | None = None
) -> tuple[tuple[str, str], ...]:
    """Root and id of the amendments and retractions that count; only what could hold one is read for it."""
    versions = Versions()
    for unit in units_of(inputs, rows):
        if unit.fault is not None:
            continue
        marked = may_amend(Path(unit.file)) if unit.form is Form.FILE else any(mark in unit.data for mark in _MARKS)
        for reading in exams_of(unit, catalogue, plan) if marked or plan is not None else ():
            if reading.exam is not None and reading.accepted:
                versions.see(reading.exam)
    return versions.latest


class _Part:
    def __init__(self, work: Extract) -> None:
        self.work, self.latest = work, dict(work.latest)
        self.catalogue = load_catalogue(work.site)
        self.plan = load_plan(work.plan, self.catalogue)[0] if work.plan else None
        self.policy = load_policy(work.policy) if work.policy is not None else None
        self.pseudonyms = read_key(work.key_file, work.key_env) if self.policy else None

    def begin(self, folder: Path) -> None:
        self.folder, self.given = folder, set[str]()
        self.files = TableFiles(folder, self.catalogue, self.work.encoding, self.work.tables)
        self.met = (folder / MET).open("w", encoding="utf-8")

    def take(self, unit: Unit) -> Iterator[Taken]:
        found = exams_of(unit, self.catalogue, self.plan)
        return setting_aside(self.folder, unit, (self._taken(unit, reading) for reading in found))

    def _taken(self, unit: Unit, reading: Reading) -> Taken:
        exam = reading.exam
        if exam is None or not reading.accepted:
            return Taken(True, reading.errors, exam.details.id if exam else "")
        details = exam.details
        if not self.work.every_version and not self._counts(details):
            return Taken(False, exam=details.id, left_out=True)
        self.given.add(details.id)
        made, met = self._met(unit, exam)
        known = Known(made, self.catalogue)
        rows = {name: list(TABLES[name].rows(known, self.catalogue)) for name in self.work.tables}
        for name, new in rows.items():
            self._write(name, new)
        self.met.write(json.dumps(asdict(met)) + "\n")
        return Taken(False, reading.problems, details.id, met.findings)

    def _write(self, name: str, rows: list[Row]) -> None:
        """Rows wait for others before they are written: what fails then is not this exam's fault alone."""
        try:
            self.files.add_rows(name, rows)
        except OSError:
            raise
        except Exception as error:
            raise ChunkLost(f"the table {name} cannot be written: {type(error).__name__}") from error

    def _counts(self, details: ExamDetails) -> bool:
        """Whether no later version stands for it, it is no retraction, and it was not given before in this chunk."""
        latest = self.latest.get(details.root, details.id) == details.id
        return latest and details.status is not Status.ENTERED_IN_ERROR and details.id not in self.given

    def _met(self, unit: Unit, exam: Exam) -> tuple[Exam, Met]:
        """The exam as it is to stand in the tables, and what must be known of it at the end."""
        made, log, mine, cell = exam, Counter[str](), "", None
        if self.policy is not None and self.pseudonyms is not None:
            made, log = deidentify(exam, self.policy, self.pseudonyms, self.catalogue)
            mine = family(exam, self.policy, self.catalogue) if self.policy.dates == "shift" else ""
            cell = [QUASI_IDENTIFIERS[name](made, self.catalogue) for name in self.policy.quasi_identifiers]
        newborn = str(made.newborn.identifiers[0])
        given = exam.details.id if not self.work.every_version else ""
        origin = (unit.form.value, unit.file, unit.at)
        return made, Met(given, made.details.id, newborn, mine, cell, dict(log), len(exam.findings), *origin)

    def aside(self, unit: Unit, refused: Sequence[Taken]) -> None:
        set_aside(self.folder, unit, refused)

    def end(self) -> None:
        self.met.close()
        try:
            self.files.finish()
        except OSError:
            raise
        except Exception as error:
            raise ChunkLost(f"the tables cannot be written: {type(error).__name__}") from error
        counts = {name: as_plain(found) for name, found in self.files.counts.items()}
        (self.folder / COUNTS).write_text(json.dumps(counts), encoding="utf-8")
