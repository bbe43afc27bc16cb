"""An exam without what identifies: a pure function of exam, policy and key, and the log of what was done.

What is measured and seen stays as it is, digit for digit, and so does every interval: hours of life, the time between
two exams of one newborn; but for what the policy rounds, bands or takes out. The result is an exam like any other, so
that every outward form can be made of it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any

from adapter.catalogue import Catalogue
from adapter.exam import At, Exam, ExamDetails, Examiner, Finding, Identifier, Mother, Newborn, Telling
from adapter.write.deidentify.coarse import GESTATION, WITHHELD, CoarseTimes, banded, in_words, rounded
from adapter.write.deidentify.keys import Pseudonyms
from adapter.write.deidentify.policy import DeidentificationPolicy
from adapter.write.deidentify.quasi import SUPPRESSIBLE

Move = Callable[[datetime], datetime]


def deidentify(
    exam: Exam,
    policy: DeidentificationPolicy,
    pseudonyms: Pseudonyms,
    catalogue: Catalogue,
    without: Collection[str] = (),
) -> tuple[Exam, Counter[str]]:
    """The exam as the policy wants it, and how often each thing was done: counts alone, never values.

    ``without``: the quasi-identifiers that are taken out of this newborn's exams.
    """
    return _Deidentified(exam, policy, pseudonyms, catalogue, without).exam()


def family(exam: Exam, policy: DeidentificationPolicy, catalogue: Catalogue) -> str:
    """Whose dates move together, by an identifier: never to be written anywhere."""
    mother = exam.newborn.mother
    if policy.shift_by == "mother" and mother is not None:
        return f"mother {catalogue.resolve(mother.identifiers[0])}"
    return f"newborn {catalogue.resolve(exam.newborn.identifiers[0])}"


def pseudonym_of_exam(exam_id: str, pseudonyms: Pseudonyms) -> str:
    """The id that an exam has where it is de-identified under this key."""
    return f"x{pseudonyms.name('exam', exam_id)}"


class _Deidentified:
    def __init__(
        self,
        exam: Exam,
        policy: DeidentificationPolicy,
        pseudonyms: Pseudonyms,
        catalogue: Catalogue,
        without: Collection[str],
    ) -> None:
        self._exam, self._policy, self._pseudonyms, self._catalogue = exam, policy, pseudonyms, catalogue
        self._without = [SUPPRESSIBLE[name] for name in without]
        self._log: Counter[str] = Counter({f"newborns' exams without {name}": 1 for name in without})
        self._times = None if policy.hours is None else CoarseTimes(exam, policy.hours)
        self._move = self._mover()

    def exam(self) -> tuple[Exam, Counter[str]]:
        exam = self._exam
        findings = tuple(self._finding(finding) for finding in exam.findings)
        made = Exam(
            details=self._details(exam.details),
            newborn=self._newborn(exam.newborn),
            findings=findings,
            told=tuple(self._telling(telling) for telling in exam.told),
        )
        self._log["exams"] += 1
        return made, self._log

    def _mover(self) -> Move:
        born = self._exam.newborn.birth_time
        if self._policy.dates == "keep":
            return lambda moment: moment
        if self._policy.dates == "year":
            return lambda moment: datetime(born.year, 1, 1, tzinfo=UTC) + (moment - born)
        who = family(self._exam, self._policy, self._catalogue)
        days = timedelta(days=self._pseudonyms.number("shift", who, self._policy.shift_days))
        return lambda moment: moment.astimezone(UTC) + days

    def _moved(self, moment: datetime) -> datetime:
        if self._policy.dates != "keep":
            self._log["times moved"] += 1
        if self._times is not None:
            self._log["times rounded"] += 1
            moment = self._times.down(moment)
        return self._move(moment)

    def _pseudonym(self, purpose: str, identifier: Identifier) -> Identifier:
        self._log["identifiers replaced"] += 1
        name = self._pseudonyms.name(purpose, str(self._catalogue.resolve(identifier)))
        return Identifier(system=self._catalogue.identifier_system("pseudonym"), value=name)

    def _exam_id(self, exam_id: str) -> str:
        self._log["exam ids replaced"] += 1
        return pseudonym_of_exam(exam_id, self._pseudonyms)

    def _newborn(self, newborn: Newborn) -> Newborn:
        policy = self._policy
        self._log["names left out"] += newborn.shown_name is not None
        self._log["identifiers left out"] += len(newborn.identifiers) - 1
        if policy.birth_order == "drop":
            self._log["birth orders left out"] += newborn.birth_order is not None
        gestation = newborn.gestation
        if policy.gestation == "weeks" and gestation is not None and gestation.days is not None:
            self._log["days of gestation left out"] += 1
            gestation = gestation.model_copy(update={"days": None})
        made = Newborn(
            identifiers=(self._pseudonym("newborn", newborn.identifiers[0]),),
            sex=newborn.sex,
            birth_time=self._moved(newborn.birth_time),
            birth_order=newborn.birth_order if policy.birth_order == "keep" else None,
            gestation=gestation,
            mother=self._mother(newborn.mother),
        )
        return made.model_copy(update={field: None for one in self._without for field in one.fields})

    def _mother(self, mother: Mother | None) -> Mother | None:
        if mother is None:
            return None
        self._log["names left out"] += mother.shown_name is not None
        if self._policy.mother == "drop":
            self._log["mothers left out"] += 1
            return None
        self._log["identifiers left out"] += len(mother.identifiers) - 1
        return Mother(identifiers=(self._pseudonym("mother", mother.identifiers[0]),))

    def _details(self, details: ExamDetails) -> ExamDetails:
        encounter = details.encounter
        if encounter is not None and self._policy.encounter == "drop":
            self._log["encounters left out"] += 1
            encounter = None
        if details.place is not None and self._policy.place == "drop":
            self._log["places left out"] += 1
        changes: dict[str, Any] = {
            "id": self._exam_id(details.id),
            "started": self._moved(details.started),
            "ended": None if details.ended is None else self._moved(details.ended),
            "recorded": None if details.recorded is None else self._moved(details.recorded),
            "amends": None if details.amends is None else self._exam_id(details.amends),
            "first": None if details.first is None else self._exam_id(details.first),
            "reassigned_from": None if details.reassigned_from is None else self._exam_id(details.reassigned_from),
            "reason": self._text(details.reason),
            "place": details.place if self._policy.place == "keep" else None,
            "encounter": None if encounter is None else self._pseudonym("encounter", encounter),
            "examiners": tuple(self._examiner(examiner) for examiner in details.examiners),
        }
        return details.model_copy(update=changes)

    def _examiner(self, examiner: Examiner) -> Examiner:
        self._log["names left out"] += examiner.shown_name is not None
        if self._policy.examiners == "role":
            self._log["identifiers left out"] += examiner.identifier is not None
            return Examiner(name="[name withheld]", role=examiner.role)
        known = examiner.identifier or Identifier(system="examiner-name", value=str(examiner.shown_name))
        return Examiner(identifier=self._pseudonym("examiner", known), role=examiner.role)

    def _telling(self, telling: Telling) -> Telling:
        changes: dict[str, Any] = {
            "at": self._moved(telling.at),
            "to": self._examiner(telling.to),
            "by": None if telling.by is None else self._examiner(telling.by),
        }
        if telling.words is not None and self._policy.free_text == "drop":
            self._log["words of tellings left out"] += 1
            changes["words"] = None
        return telling.model_copy(update=changes)

    def _text(self, text: str | None) -> str | None:
        if text is None or self._policy.free_text == "keep":
            return text
        self._log["texts withheld"] += 1
        return WITHHELD

    def _finding(self, finding: Finding) -> Finding:
        changes: dict[str, Any] = {}
        if isinstance(finding.value, At):
            changes["value"] = At(time=self._moved(finding.value.time))
        if finding.observed_at is not None:
            changes["observed_at"] = self._moved(finding.observed_at)
        if self._times is not None:
            at = finding.observed_at or self._exam.details.started
            if (made := self._times.of_finding(finding, at)) != self._times.down(at):
                changes["observed_at"] = self._move(made)
        if finding.text is not None:
            changes["text"] = self._text(finding.text)
        if finding.note is not None and self._policy.free_text == "drop":
            self._log["notes left out"] += 1
            changes["note"] = None
        made_less = self._less_exact(finding)
        return made_less.model_copy(update=changes) if changes else made_less

    def _less_exact(self, finding: Finding) -> Finding:
        """With less detail, or without what the newborn's exams are to be without."""
        policy, item = self._policy, finding.item
        if finding.value is None:
            return finding
        if any(item in one.items for one in self._without):
            self._log[f"values of {item} taken out"] += 1
            return in_words(finding, WITHHELD)
        if item in policy.band:
            self._log[f"values of {item} banded"] += 1
            return banded(finding, policy.band[item], self._catalogue)
        if item in policy.round:
            self._log[f"values of {item} rounded"] += 1
            return rounded(finding, policy.round[item], self._catalogue)
        if item == GESTATION and policy.gestation == "weeks":
            self._log[f"values of {item} banded"] += 1
            return banded(finding, Decimal(7), self._catalogue)
        return finding
