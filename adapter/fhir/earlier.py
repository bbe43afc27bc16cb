"""What earlier exams of the newborn became, by its identifiers: it is in their bundles, and never in this one's."""

from __future__ import annotations

from collections.abc import Sequence

from adapter.catalogue import Catalogue
from adapter.derive import Earlier
from adapter.exam import Exam
from adapter.fhir.identity import Identity, Name, by_identifier
from adapter.fhir.json import Json


class EarlierExams:
    """Logical references (FHIR R4 Reference.identifier, section 2.3.0.2) to what earlier exams became."""

    def __init__(self, exams: Sequence[Exam], catalogue: Catalogue) -> None:
        self._exams = {exam.details.id: exam for exam in exams}
        self._catalogue = catalogue
        self._names: dict[str, list[Name]] = {}

    def reports(self, ids: Sequence[str]) -> list[Json]:
        """The DiagnosticReports of those of the exams that are earlier ones."""
        exams = (self._exams[one] for one in ids if one in self._exams)
        return [by_identifier(Identity(exam, self._catalogue).report()) for exam in exams]

    def observation(self, one: Earlier) -> Json:
        """The Observation of a finding."""
        if one.exam not in self._names:
            exam = self._exams[one.exam]
            identity = Identity(exam, self._catalogue)
            self._names[one.exam] = [identity.observation(finding) for finding in exam.findings]
        return by_identifier(self._names[one.exam][one.number])
