"""Extracting as a work: exams to research tables, Bulk Data, views and OMOP rows, de-identified where asked for.

A worker makes what can be made of each exam by itself (:mod:`adapter.run.extract_forms`). What only all exams
together can tell is done at the end (:mod:`adapter.run.merge`).
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive.chains import known_facts
from adapter.exam import Exam, ExamDetails, Status
from adapter.read import Reading
from adapter.run.exams import cut_for, plan_of, readings_of
from adapter.run.extract_forms import FORMS, ExtractForm, FormOptions
from adapter.run.held import check_release, write_held
from adapter.run.inputs import Cut, Given
from adapter.run.later_versions import Lineage, Placing, lineage, set_aside
from adapter.run.merge import FACTS, MergeFacts, Stays, admitted, rare_beside, taken_back
from adapter.run.pieces import Piece
from adapter.run.receipt import digest_of, write_receipt, write_sums
from adapter.run.rejects import reject, rejecting
from adapter.run.suppressing import taken_out
from adapter.run.work import ChunkLost, Handled, Landing, NotPossible, Output, Tally, catalogue_identity
from adapter.write.deidentify import DeidentificationPolicy, Deidentified, Deidentifier, load_policy, read_key
from adapter.write.omop import IDENTIFIED, Checked, Concept, Concepts, concepts_of, load_concepts, read_keys
from adapter.write.tables import TABLES, TabledExam
from adapter.write.tables.arrow import arrow
from adapter.write.tables.sqlite import check_width

SUPERSEDED = "replaced by later versions"
RETRACTED = "entered in error and left out of the tables"
REPEATED = "given twice"


@dataclass(frozen=True, slots=True)
class Extract:
    """Exams to ``forms`` of :data:`adapter.run.extract_forms.FORMS`, tables as CSV, Parquet or SQLite.

    ``tables``: which of :data:`adapter.write.tables.TABLES`. ``policy`` de-identifies, with the key in ``key_file``
    or in the environment variable ``key_env``; ``rare`` stands for what it says of rare combinations. An amendment
    stands for what it amends, and what was entered in error is in no table; with ``all_versions``, for tables alone,
    all are. ``notes``: OMOP with free text. ``omop_keys``: the keys of an earlier extract, to go on from.
    ``vocabulary``: the table CONCEPT of the site's OMOP vocabularies. ``earlier``: the folders of earlier releases,
    by which nobody in this one may become rare. ``plan`` is the column plan of tables.

    :meth:`prepared` finds what comes last: ``lineage``, which versions of amended exams count; ``without``, which
    quasi-identifiers are taken out of which newborns, by pseudonym; ``concepts`` and how they compare with the
    shipped ids, ``checked``.
    """

    forms: tuple[str, ...] = ("tables",)
    tables: tuple[str, ...] = tuple(TABLES)
    encoding: str = "csv"
    policy: str | None = None
    rare: str | None = None
    key_file: Path | None = None
    key_env: str | None = None
    all_versions: bool = False
    notes: bool = False
    omop_keys: Path | None = None
    vocabulary: Path | None = None
    earlier: tuple[Path, ...] = ()
    site: Path | None = None
    plan: Path | None = None
    cut: Cut = field(default_factory=Cut)
    lineage: Lineage = field(default_factory=Lineage)
    without: tuple[tuple[str, tuple[str, ...]], ...] = ()
    concepts: tuple[tuple[str, str, Concept], ...] = ()
    checked: tuple[Checked, ...] = ()
    name: str = "extract"

    @property
    def outputs(self) -> tuple[Output, ...]:
        """The files of the forms and what is to be known of each exam, kept until all are there."""
        names = [FACTS, *(name for form in self._made() for name in form.files)]
        return tuple(Output(name, f"{name}/{{:05}}{Path(name).suffix}", Landing.KEEP) for name in names)

    @property
    def most(self) -> int:
        """More than for other works: a chunk becomes a file of each table."""
        return 500

    def prepared(self, inputs: Sequence[Given], out: Path | None) -> Extract:
        """With the cut as the plan asks for, and the versions that count.

        Raises ``BadPolicy``, ``BadKey``, ``BadKeys``, ``BadVocabulary``, ``NoParquet`` and ``TooWide`` as well.
        """
        catalogue = load_catalogue(self.site)
        if self.all_versions and set(self.forms) != {"tables"}:
            raise NotPossible("--all-versions is for tables; the other forms hold one version of an exam")
        if self.policy is None and (self.key_file is not None or self.key_env is not None or self.rare is not None):
            raise NotPossible("a key is for --deidentify, and so is --rare")
        if self.earlier and (self.policy is None or not self._attacked):
            raise NotPossible("--earlier-release is for --deidentify with the tables newborns, exams and findings")
        for folder in self.earlier:
            check_release(folder)
        deidentifier = self.deidentifier(catalogue)
        if "omop" not in self.forms and (self.omop_keys or self.vocabulary):
            raise NotPossible("--omop-keys and --vocabulary are for --forms omop")
        if self.omop_keys is not None:
            read_keys(self.omop_keys, IDENTIFIED if deidentifier is None else deidentifier.mark)
        if self.encoding == "parquet" and {"tables", "omop"} & set(self.forms):
            arrow()
        if self.encoding == "sqlite":
            for name in self.tables:
                check_width(name, TABLES[name].columns(catalogue))
        made = replace(self, cut=cut_for(catalogue, self.plan))
        if self.vocabulary is not None:
            concepts, checked = concepts_of(self.vocabulary, catalogue, load_concepts(self.site))
            made = replace(made, concepts=concepts.all(), checked=checked)
        plan = plan_of(self.plan, catalogue)
        found = lineage(inputs, made.cut, catalogue, plan)
        made = replace(made, lineage=replace(found, latest=(), aside=()) if self.all_versions else found)
        if deidentifier is None or not deidentifier.suppresses:
            return made
        return replace(made, without=taken_out(inputs, made.cut, catalogue, plan, made.lineage, deidentifier))

    def identity(self) -> str:
        """The options, the catalogue and the versions; of the key only a pseudonym that it makes."""
        policy = ""
        if self.policy is not None:
            key = read_key(self.key_file, self.key_env).name("run", "identity")
            policy = f"{self._policy(self.policy).model_dump_json()} {key}"
        options = f"{self.forms} {self.tables} {self.encoding} {self.all_versions} {self.notes}"
        options = f"{options} {self.lineage.identity()} {self.without} {self.concepts} {self.earlier}"
        return f"{options} {policy} {catalogue_identity(self.site, self.plan, self.omop_keys)}"

    def open(self) -> _Maker:
        """With the catalogue loaded."""
        return _Maker(self)

    def finish(self, kept: Path, out: Path) -> Tally:
        """The files of the extract out of those of the chunks."""
        changes, deidentifier = Tally(), self.deidentifier(load_catalogue(self.site))
        stays = admitted(kept, deidentifier, REPEATED, changes)
        self._merge(kept, out, stays)
        if deidentifier is not None and self.earlier:
            while beside := rare_beside(deidentifier, out, self.earlier):
                taken_back(stays, beside, deidentifier, changes)
                self._merge(kept, out, stays)
        write_held(out, (one.root for one in stays.facts()))
        if deidentifier is not None:
            deidentifier.write(out, tables=self._attacked)
            write_sums(out)
        else:
            write_receipt(out, stays.facts())
        return changes

    def _merge(self, kept: Path, out: Path, stays: Stays) -> None:
        shutil.rmtree(out, ignore_errors=True)
        out.mkdir(mode=0o700)
        for form in self._made():
            form.merge(kept, out, stays)

    @property
    def _attacked(self) -> bool:
        """Whether what is released can be attacked: it has the tables for it."""
        return "tables" in self.forms and {"newborns", "exams", "findings"} <= set(self.tables)

    def deidentifier(self, catalogue: Catalogue) -> Deidentifier | None:
        """As the policy says; None without one. Raises ``BadPolicy``, ``BadKey``."""
        if self.policy is None:
            return None
        policy = self._policy(self.policy)
        return Deidentifier(policy, read_key(self.key_file, self.key_env), catalogue, dict(self.without))

    def _policy(self, name: str) -> DeidentificationPolicy:
        found = load_policy(name)
        return found if self.rare is None else found.model_copy(update={"rare": self.rare})

    def _made(self) -> list[ExtractForm]:
        concepts = Concepts(self.concepts) if self.concepts else None
        deidentifier = self.deidentifier(load_catalogue(self.site))
        options = FormOptions(
            self.site,
            self.encoding,
            self.tables,
            self.notes,
            self.omop_keys,
            IDENTIFIED if deidentifier is None else deidentifier.mark,
            concepts,
            self.checked,
            deidentifier is None or deidentifier.dated,
        )
        return [FORMS[name](options) for name in FORMS if name in self.forms]


class _Maker:
    def __init__(self, work: Extract) -> None:
        self.work, self.placed = work, Placing(work.lineage)
        self.catalogue = load_catalogue(work.site)
        self.plan = plan_of(work.plan, self.catalogue)
        self.deidentifier = work.deidentifier(self.catalogue)
        self.forms = work._made()

    def begin(self, folder: Path) -> None:
        self.folder, self.given = folder, set[str]()
        for form in self.forms:
            form.begin(folder)
        self.facts = (folder / FACTS).open("w", encoding="utf-8")

    def take(self, piece: Piece) -> Iterator[Handled]:
        found = readings_of(piece, self.catalogue, self.plan)
        return rejecting(self.folder, piece, (self._handled(piece, reading) for reading in found))

    def reject(self, piece: Piece, refused: Sequence[Handled]) -> None:
        reject(self.folder, piece, refused)

    def _handled(self, piece: Piece, reading: Reading) -> Handled:
        exam = reading.exam
        if exam is None or not reading.accepted:
            return Handled(True, reading.errors, exam.details.id if exam else "")
        exam = self.placed.rooted(exam)
        details, forms = exam.details, self.forms
        if faults := self.placed.faults(exam, piece):
            return Handled(True, faults, details.id)
        if details.root in self.placed.aside:
            return Handled(True, (set_aside(details, piece),), details.id)
        if remark := self._left_out(details):
            return Handled(False, exam=details.id, left_out=True, remark=remark)
        if details.status is Status.ENTERED_IN_ERROR and not self.work.all_versions:
            forms = [form for form in forms if form.retracted]
            remark = RETRACTED if len(forms) < len(self.forms) else ""
            if remark and not any(form.files for form in forms):
                return Handled(False, exam=details.id, left_out=True, remark=remark)
        facts = self._written(piece, exam, forms)
        self.given.add(details.id)
        self.facts.write(json.dumps(asdict(facts)) + "\n")
        return Handled(False, reading.problems, details.id, facts.findings, remark=remark)

    def _left_out(self, details: ExamDetails) -> str:
        """Why the exam does not count: a later version stands for it, or it was given before in this chunk."""
        if self.placed.latest.get(details.root, details.id) != details.id:
            return SUPERSEDED
        return REPEATED if details.id in self.given else ""

    def _written(self, piece: Piece, exam: Exam, forms: Sequence[ExtractForm]) -> MergeFacts:
        """The exam in all forms, or in none: they are written when all are made."""
        made, among = exam, Deidentified("", "", "", (), {})
        if self.deidentifier is not None:
            made, among = self.deidentifier.made(exam)
        digest = "" if self.deidentifier is not None else digest_of(piece)
        tabled = TabledExam(made, self.catalogue, dated=self.deidentifier is None or self.deidentifier.dated)
        ready = [(form, form.of_exam(tabled)) for form in forms]
        counts: dict[str, int] = {}
        for form, rows in ready:
            try:
                counts |= form.write(rows)
            except OSError:
                raise
            except Exception as error:  # rows wait for others before they are written: not this exam's fault alone
                raise ChunkLost(f"the {form.name} cannot be written: {type(error).__name__}") from error
        origin = piece.kind.value, piece.file, piece.at, digest
        known = known_facts(made.newborn)
        return MergeFacts(
            made.details.id,
            made.details.root,
            among,
            tabled.newborn_id,
            known,
            counts,
            len(exam.findings),
            *origin,
        )

    def end(self) -> None:
        self.facts.close()
        for form in self.forms:
            try:
                form.end()
            except OSError:
                raise
            except Exception as error:
                raise ChunkLost(f"the {form.name} cannot be written: {type(error).__name__}") from error
