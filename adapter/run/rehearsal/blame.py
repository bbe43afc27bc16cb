"""Which finding of an exam a form fails for, and where in the site's folder that stands."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace

from adapter.catalogue import Catalogue
from adapter.catalogue.places import Stand, Step
from adapter.exam import Exam, Finding, Score
from adapter.problems import Layer, Problem
from adapter.run.rehearsal.forms import Form

MOST = 20
"""So many findings are named that fall short of one form by one rule; the others are likely to be the same."""


class Blame:
    """Halves an exam until the findings stand alone that a form fails for."""

    def __init__(self, form: Form, catalogue: Catalogue) -> None:
        self.form, self.catalogue = form, catalogue
        self.named: Counter[str] = Counter()
        self.of_all: set[str] = set()
        self.told: set[tuple[str, str | None, str]] = set()

    def of(self, exam: Exam) -> Iterator[Problem]:
        """Every problem of an exam in the form, each placed at what causes it."""
        problems = self.form.problems_of(exam)
        if not problems:
            return
        bare = [p for p in self.form.problems_of(_with(exam, ())) if p.rule != "no-findings"]
        for problem in bare:
            if _key(problem) not in self.of_all:
                self.of_all.add(_key(problem))
                yield self._placed(problem, "every exam", whole_paths(self.form.name, problem, exam, self.catalogue))
        yield from self._halved(exam, problems)

    def of_rule(self, rule: str, exam: Exam) -> Iterator[Problem]:
        """Every problem of an exam that is made for a rule, which no finding has alone: it is the rule's."""
        for problem in self.form.problems_of(exam):
            known = _key(problem) in self.of_all or any(problem.what == what for _, _, what in self.told)
            if not known and self.named[problem.rule] < MOST:
                self.named[problem.rule] += 1
                ways = iter([("rules", rule, "label"), ("rules", rule)])
                yield self._placed(problem, f"rule {rule}", ways)

    def _halved(self, exam: Exam, problems: list[Problem]) -> Iterator[Problem]:
        left = [p for p in problems if _key(p) not in self.of_all and self.named[p.rule] < MOST]
        if not left:
            return
        if len(exam.findings) <= 1:
            for finding in exam.findings:
                for problem in left:
                    key = (finding.item, finding.not_examined, problem.what)
                    if key in self.told:
                        continue
                    self.told.add(key)
                    self.named[problem.rule] += 1
                    yield self._placed(
                        problem, said(finding), paths(self.form.name, finding, problem, self.catalogue)
                    )
            return
        middle, found = len(exam.findings) // 2, False
        for part in (exam.findings[:middle], exam.findings[middle:]):
            half = _with(exam, part)
            wrong = self.form.problems_of(half)
            found = found or bool(wrong)
            yield from self._halved(half, wrong)
        if not found:
            for problem in left:
                self.named[problem.rule] += 1
                both = f"{said(exam.findings[0])} with {said(exam.findings[-1])}"
                yield self._placed(problem, both, paths(self.form.name, exam.findings[0], problem, self.catalogue))

    def _placed(self, problem: Problem, of_what: str, ways: Iterator[tuple[Step, ...]]) -> Problem:
        stand = stands(ways, self.catalogue)
        where = f"{problem.where}: " if problem.where else ""
        what = f"{self.form.name}, {of_what}: {where}{problem.what}"
        return replace(problem, what=what, file=stand.file, line=stand.line or None, where="", column=None)


def stands(ways: Iterator[tuple[Step, ...]], catalogue: Catalogue) -> Stand:
    """The first of the paths of which the site's folder says something; else where the catalogue says it."""
    every = list(ways)
    found = (catalogue.places.of_site(*path) for path in every)
    known = next((stand for stand in found if stand is not None), None)
    return known or next(filter(None, (catalogue.places.find(*path) for path in every)), Stand("site.yaml", 0))


def paths(form: str, finding: Finding, problem: Problem, catalogue: Catalogue) -> Iterator[tuple[Step, ...]]:
    """What a finding is made of, the likeliest cause first."""
    yield from _claims(problem, catalogue)
    item = catalogue.items[finding.item]
    if finding.not_examined:
        yield "reasons", finding.not_examined
        yield "local_codes", "reasons", finding.not_examined
    if finding.answer:
        yield "items", item.id, "answers", finding.answer, "label"
        yield "local_codes", "answers", f"{item.id}.{finding.answer}"
    for name, one in (("states", finding.state), ("methods", finding.method), ("sites", finding.site)):
        if one:
            yield name, one
    yield "items", item.id, "label"
    yield "local_codes", "items", item.id
    if item.unit:
        yield "units", item.unit
    yield "regions", catalogue.region_of[item.id]
    yield from whole_paths(form, problem, None, catalogue)


def whole_paths(form: str, problem: Problem, exam: Exam | None, catalogue: Catalogue) -> Iterator[tuple[Step, ...]]:
    """What is said of every exam: the claims of profiles, the settings of messages, the settings."""
    yield from _claims(problem, catalogue)
    if exam is not None:
        yield "kinds", exam.details.kind
        yield from (("roles", one.role) for one in exam.details.examiners)
    if form.startswith("v2"):
        yield "v2", "lengths"
    yield ("settings",)


def _claims(problem: Problem, catalogue: Catalogue) -> Iterator[tuple[Step, ...]]:
    """The site's claims of profiles by the kind of resource that falls short of one."""
    if problem.layer is Layer.PROFILES:
        for claim in catalogue.profiles.values():
            if claim.on and (claim.url in problem.what or problem.where.startswith(claim.resource)):
                yield "profiles", claim.id


def said(finding: Finding) -> str:
    """A finding in the words of the catalogue's ids."""
    parts = [f"item {finding.item}"]
    parts += [f"answer {answer}" for answer in filter(None, [finding.answer])]
    if isinstance(finding.value, Score):
        parts += [f"sign {sign} {answer}" for sign, answer in (finding.value.signs or {}).items()]
    for word in ("side", "site", "state", "method"):
        value = getattr(finding, word)
        if value:
            parts.append(f"{word} {value}")
    return ", ".join([*parts, f"reason {finding.not_examined}"] if finding.not_examined else parts)


def _with(exam: Exam, findings: tuple[Finding, ...]) -> Exam:
    return exam.model_copy(update={"findings": findings})


def _key(problem: Problem) -> str:
    return f"{problem.rule} {problem.what} {problem.remedy}"
