"""What a site makes of an exam, form by form, each with what proves it."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

from adapter.catalogue import Catalogue
from adapter.errors import NotInstalled
from adapter.exam import Exam
from adapter.fhir.json import loads
from adapter.fhir.release import to_r4
from adapter.fhir.xml import from_xml
from adapter.forms import to_questionnaire, to_response
from adapter.forms.page import to_page
from adapter.forms.worksheet import to_worksheet
from adapter.problems import AdapterError, Layer, Problem, Severity
from adapter.read import check_exam, read
from adapter.read.bundle import from_bundle
from adapter.read.oru import from_oru
from adapter.run.rehearsal.extracted import EXTRACTED, extracted, not_the_same
from adapter.validate import Validator
from adapter.write import allowed, encodings_of, write
from adapter.write.attached import rendered
from adapter.write.omop import Concepts
from adapter.write.package import definitions
from adapter.write.v2 import to_oru

FAULT = "form-fails"
"""The rule of a problem where a form broke off for another reason than the data."""

_TOLD = (Severity.FATAL, Severity.ERROR, Severity.WARNING)


@dataclass(frozen=True, slots=True)
class Form:
    """One form: ``name`` as people say it, and what is wrong with an exam in it."""

    name: str
    problems_of: Callable[[Exam], list[Problem]]


def forms_of(
    catalogue: Catalogue, validator: Validator, fully: Collection[str], concepts: Concepts | None = None
) -> list[Form]:
    """Every form of an exam that the site writes. ``fully``: the ids of exams of which every form is made and every
    judge asked; of others no PDF, which has the blocks of the page, and no judge of v2 but by hand. ``concepts``: of
    OMOP, as the site has verified them (None: the shipped ones)."""

    def checked(exam: Exam) -> list[Problem]:
        return [problem for problem in check_exam(exam, catalogue) if problem.severity in _TOLD[:2]]

    def response(exam: Exam) -> list[Problem]:
        exam = exam.model_copy(update={"told": ()})  # no form asks who was told
        made = to_response(exam, catalogue)
        return [*_validated(made, validator), *_same(exam, [one.exam for one in read([made], catalogue)])]

    found = [Form("the check of what was captured", _guarded(checked))]
    for name in EXTRACTED:
        found.append(Form(f"extract as {name}", _guarded(partial(extracted, name, catalogue, concepts))))
    for kind in allowed(catalogue):
        for encoding in encodings_of(kind, catalogue):
            one = _Outward(catalogue, validator, kind, encoding, fully)
            found.append(Form(f"{kind} as {encoding}", _guarded(one.problems_of)))
    return [*found, Form("QuestionnaireResponse", _guarded(response))]


@dataclass(frozen=True, slots=True)
class _Outward:
    catalogue: Catalogue
    validator: Validator
    kind: str
    encoding: str
    fully: Collection[str]

    def problems_of(self, exam: Exam) -> list[Problem]:
        whole = exam.details.id in self.fully
        if self.kind == "v2-document":
            return self._document(exam) if whole else []
        if self.encoding == "er7" and not whole:
            return _same(exam, from_oru(to_oru(exam, self.catalogue, strictly=False), self.catalogue), message=True)
        if self.encoding == "pdf" and not whole:
            return []
        try:
            content = write(exam, self.catalogue, self.kind, self.encoding)
        except NotInstalled:
            return []
        match self.encoding:
            case "json":
                bundle = loads(content)
                return [*_validated(to_r4(bundle), self.validator), *_same(exam, from_bundle(bundle, self.catalogue))]
            case "xml":
                return _same(exam, from_bundle(from_xml(content), self.catalogue))
            case "er7":
                return _same(exam, from_oru(content, self.catalogue), message=True)
        return []

    def _document(self, exam: Exam) -> list[Problem]:
        """The report in its message is the one that the site makes, whole."""
        try:
            sent = write(exam, self.catalogue, self.kind, self.encoding)
            report = rendered(exam, self.catalogue, self.catalogue.v2.document.format)
        except NotInstalled:
            return []
        return [] if report.as_ed().encode("ascii") in sent else [not_the_same("holds another report", "it whole")]


_ENTRY = re.compile(r"Bundle\.entry\[(\d+)\]\.resource")


def _validated(resource: dict[str, Any], validator: Validator) -> list[Problem]:
    """The errors and warnings, each with its place in the resource of its entry: ``Patient.telecom``."""

    def named(found: re.Match[str]) -> str:
        return str(resource["entry"][int(found[1])]["resource"]["resourceType"])

    problems = [problem for problem in validator.validate(resource) if problem.severity in _TOLD]
    return [replace(problem, where=_ENTRY.sub(named, problem.where)) for problem in problems]


def _same(exam: Exam, back: list[Exam | None] | list[Exam], *, message: bool = False) -> list[Problem]:
    """Whether the exam came back; a message has its findings region by region, and fewer words of persons."""
    if len(back) == 1 and back[0] is not None:
        read = back[0]
        if read.told != exam.told:
            return [not_the_same("does not read back to the same tellings", "roles and words that tell them apart")]
        if read.findings == exam.findings if not message else _sorted(read) == _sorted(exam):
            return []
    what = "does not read back to the same findings"
    return [not_the_same(what, "codes and words that tell every finding from every other")]


def _sorted(exam: Exam) -> list[str]:
    return sorted(finding.model_dump_json() for finding in exam.findings)


def _guarded(attempt: Callable[[Exam], list[Problem]]) -> Callable[[Exam], list[Problem]]:
    """The same, where whatever breaks off is a problem and no exception."""

    def problems_of(exam: Exam) -> list[Problem]:
        try:
            return attempt(exam)
        except Exception as error:
            return broken_off(error)

    return problems_of


def broken_off(error: Exception) -> list[Problem]:
    """What an exception says: its problems where it is one of ours, else its type and words."""
    if isinstance(error, AdapterError) and error.problems:
        return error.problems
    what = f"breaks off with {type(error).__name__}: {error}"
    return [Problem(Severity.ERROR, Layer.CATALOGUE, FAULT, what, "what the catalogue says of it, mended")]


def sheets_of(catalogue: Catalogue, validator: Validator) -> Iterator[tuple[str, str, list[Problem]]]:
    """What the site makes without an exam, by name: forms of each kind (``kind``), and the package."""
    for kind in catalogue.kinds:
        yield "Questionnaire", kind, _attempt(partial(_questionnaire, catalogue, kind, validator))
        yield "worksheet", kind, _attempt(partial(to_worksheet, catalogue, kind))
    yield "page", "", _attempt(partial(to_page, catalogue))

    def package() -> list[Problem]:
        return [problem for one in definitions(catalogue) for problem in _validated(one, validator)]

    yield "package", "", _attempt(package)


def _questionnaire(catalogue: Catalogue, kind: str, validator: Validator) -> list[Problem]:
    return _validated(to_questionnaire(catalogue, kind), validator)


def _attempt(make: Callable[[], list[Problem] | bytes]) -> list[Problem]:
    try:
        made = make()
    except Exception as error:
        return broken_off(error)
    return made if isinstance(made, list) else []
