"""Everything that a site's catalogue has, through every form that the site writes, and what falls short."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from adapter.catalogue import Catalogue, CatalogueError, load_catalogue
from adapter.catalogue.lint import lint
from adapter.catalogue.lint_site import placeholders
from adapter.derive.every_use import some_exams
from adapter.exam import Exam
from adapter.problems import Layer, Problem, Report, Severity
from adapter.run.rehearsal.blame import Blame, stands, whole_paths
from adapter.run.rehearsal.fired import rules_at_work
from adapter.run.rehearsal.forms import Form, broken_off, forms_of, sheets_of
from adapter.validate import Validator, load_packages
from adapter.write import lint_forms
from adapter.write.omop import Concepts, load_concepts

_FULLY = 3
"""The first exams hold every item of the catalogue already; the slow judges see these."""


@dataclass(slots=True)
class Rehearsal:
    """What was rehearsed: exams, their findings, the rules that hold in them, the names of the forms; and what falls
    short, by file and line."""

    exams: int = 0
    rules: int = 0
    findings: int = 0
    forms: list[str] = field(default_factory=list)
    report: Report = field(default_factory=Report)


def rehearse(
    site: Path | None, packages: Sequence[Path] = (), say: Callable[[str], None] = lambda form: None
) -> Rehearsal:
    """Rehearse a site's folder (None: what is shipped).

    A catalogue that cannot be loaded is all that is told then. ``packages``: FHIR packages whose profiles the
    resources are held against where they claim them. ``say`` is told the name of each form before it begins. Raises
    :class:`adapter.validate.PackageError`, and nothing for what the folder holds.
    """
    rehearsal = Rehearsal()
    validator = Validator(packages=load_packages(packages))
    try:
        catalogue = load_catalogue(site)
    except CatalogueError as error:
        rehearsal.report.add(_in_order(error.problems))
        return rehearsal
    problems = _guarded(lambda: [*lint(catalogue), *lint_forms(catalogue)])
    if not problems:  # what the linter refuses would break form after form, and hide what else is wrong
        concepts, problems = _concepts(site)
        problems += [*placeholders(catalogue), *_played(catalogue, concepts, validator, rehearsal, say)]
    rehearsal.report.add(_in_order(problems))
    return rehearsal


def _played(
    catalogue: Catalogue,
    concepts: Concepts | None,
    validator: Validator,
    rehearsal: Rehearsal,
    say: Callable[[str], None],
) -> Iterator[Problem]:
    try:
        exams = some_exams(catalogue)
    except Exception as error:
        yield from broken_off(error)
        return
    fired, problems = rules_at_work(catalogue)
    yield from problems
    rehearsal.exams, rehearsal.rules = len(exams) + len(fired), len(fired)
    rehearsal.findings = sum(len(exam.findings) for exam in (*exams, *(one.exam for one in fired.values())))
    for form in forms_of(catalogue, validator, {exam.details.id for exam in exams[:_FULLY]}, concepts):
        say(form.name)
        rehearsal.forms.append(form.name)
        yield from short_of(form, exams, catalogue, {rule: one.exam for rule, one in fired.items()})
    for name, kind, problems in sheets_of(catalogue, validator):
        if name not in rehearsal.forms:
            say(name)
            rehearsal.forms.append(name)
        for problem in problems:
            stand = stands(whole_paths(name, problem, None, catalogue), catalogue)
            what = f"{name}{f' of kind {kind}' if kind else ''}: {problem.what} ({problem.where})"
            yield replace(problem, what=what, file=stand.file, line=stand.line or None, where="")


def short_of(
    form: Form, exams: Iterable[Exam], catalogue: Catalogue, fired: Mapping[str, Exam] | None = None
) -> Iterator[Problem]:
    """Where exams fall short of a form, each problem placed at what causes it; ``fired``: exams by the rule that each
    is made for, of which what falls short besides is the rule's."""
    blame = Blame(form, catalogue)
    for exam in exams:
        yield from blame.of(exam)
    for rule, exam in (fired or {}).items():
        yield from blame.of_rule(rule, exam)


def _concepts(site: Path | None) -> tuple[Concepts | None, list[Problem]]:
    """The concepts of OMOP that the site has verified, and why they cannot be read."""
    try:
        return load_concepts(site), []
    except (KeyError, ValueError, OSError) as error:
        what = f"cannot be read: {type(error).__name__} {error}"
        remedy = "the columns of mappings/omop/concepts.csv, comma-separated, UTF-8"
        file = "omop/concepts.csv"
        return None, [Problem(Severity.ERROR, Layer.CATALOGUE, "wrong-file", what, remedy, file=file)]


def _guarded(work: Callable[[], list[Problem]]) -> list[Problem]:
    try:
        return work()
    except Exception as error:
        return broken_off(error)


def _in_order(problems: Sequence[Problem] | Iterator[Problem]) -> list[Problem]:
    """Each once, by file and line."""
    return sorted(dict.fromkeys(problems), key=lambda one: (one.file, one.line or 0))
