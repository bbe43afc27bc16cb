"""An exam as one ORU^R01: the report with the tell list first, then an OBR a region with its findings."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from adapter.catalogue import Catalogue
from adapter.derive import section_key, standing_in_words, told_in_words
from adapter.derive.series import line_in_words, with_standing
from adapter.derive.view import ExamView
from adapter.exam import Exam, Status, Telling, Urgency
from adapter.fhir import observations_by_region
from adapter.fhir.json import Json
from adapter.fhir.parts import parts
from adapter.fhir.report import caution, counts, not_judged_lines
from adapter.v2.er7 import Unsayable, formatted, joined, moment, segment, text
from adapter.write.attached import rendered
from adapter.write.outward import NotWritable
from adapter.write.v2.coded import Coder, designator
from adapter.write.v2.header import message_header, people, with_control_id
from adapter.write.v2.judge import encoded, problem
from adapter.write.v2.results import STATUS, Result, Results, comments, is_computed
from adapter.write.v2.withdrawn import with_withdrawn

_TELLS = {
    Urgency.TELL_NOW: ("tell.now", "AA"),
    Urgency.TELL_SOON: ("tell.this-shift", "A"),
    Urgency.TELL: ("tell.next-round", "A"),
    Urgency.NONE: ("tell.still-to-do", ""),
}
READ_BACK = {True: "read_back", False: "not_read_back"}
ATTACHED = "exam.report"
"""Our question that the report itself answers."""
_REPORT = {Status.FINAL: "F", Status.AMENDED: "C", Status.ENTERED_IN_ERROR: "C"}
"""OBR-25, table 0123; it has no code for what was posted as wrong: the results say it, the report is a correction."""


def to_oru(
    exam: Exam,
    catalogue: Catalogue,
    versions: Sequence[bytes] = (),
    *,
    strictly: bool = True,
    earlier: Sequence[Exam] = (),
) -> bytes:
    """An exam that the checks found no error in, as a message of HL7 v2.5.1 in ER7; deterministic.

    ``versions`` are messages of earlier versions of the exam: what they hold and this one does not is sent as
    withdrawn; ``strictly`` is that of :func:`adapter.write.v2.judge.judged`; with ``earlier`` exams of the newborn it
    is judged as the last of them. Raises
    :class:`~adapter.write.outward.NotWritable` for what the message, the character set or the receiver's limits
    cannot hold; nothing is ever cut off.
    """
    return encoded(unjudged(exam, catalogue, versions, earlier), catalogue.v2, strictly=strictly)


def unjudged(
    exam: Exam,
    catalogue: Catalogue,
    versions: Sequence[bytes] = (),
    earlier: Sequence[Exam] = (),
    *,
    attached: bool = True,
) -> list[str]:
    """The segments of the same message before anything has judged them, which takes far longer than writing them.

    Without ``attached`` the report is left out where the site wants it in messages.
    """
    try:
        segments = [message_header(exam, catalogue), *_body(ExamView(exam, catalogue, earlier), attached)]
        segments = with_withdrawn(segments, versions, exam.details.id, catalogue)
    except Unsayable as error:
        raise NotWritable([problem("no-place", str(error))]) from None
    return with_control_id(segments)


def _body(view: ExamView, attached: bool) -> Iterator[str]:
    coder = Coder(view.catalogue)
    yield from people(view.exam, view.catalogue, coder)
    report = _Report(view, coder, view.catalogue.v2.attached_report if attached else None)
    yield from report.segments()


class _Report:
    """The results of one exam."""

    def __init__(self, view: ExamView, coder: Coder, attached: str | None) -> None:
        exam, catalogue = view.exam, view.catalogue
        self._view, self._exam, self._catalogue, self._coder = view, exam, catalogue, coder
        self._settings, self._attached = catalogue.v2, attached
        observers = joined([coder.observer(examiner) for examiner in exam.details.examiners], "~")
        self._results = Results(catalogue, coder, observers)
        provider = self._settings.ordering_provider
        ordered = exam.details.examiners[0] if provider == "examiner" else provider
        self._ordered = coder.observer(ordered) if ordered is not None else ""
        self._performed = coder.performed()
        self._made: Counter[str] = Counter()

    def segments(self) -> Iterator[str]:
        """ORC and all OBR groups."""
        details = self._exam.details
        yield segment("ORC", {1: "RE", 3: self._filler(), 12: self._ordered})
        kind = self._catalogue.kinds[details.kind]
        yield from self._group(1, self._request(details.kind, kind.label), self._own_results(), self._remarks())
        static = parts(self._catalogue)
        by_region = observations_by_region(self._view)
        for number, (region, observations) in enumerate(by_region.items(), start=2):
            results = [one for each in observations for one in self._results.of(each, self._sub_id(each))]
            request = {
                3: self._filler(f"/{region}"),
                4: self._coder.concept(static.panel(region)),
                29: joined(["", self._filler().replace("^", "&")]),
            }
            yield from self._group(number, request, results, [])

    def _filler(self, region: str = "") -> str:
        """The number by which the report, or one region of it, is found again: that of the first version."""
        root = text(self._exam.details.root + region)
        return joined([root, designator(self._settings.sending_application)])

    def _request(self, kind: str, label: str) -> dict[int, str]:
        own = self._coder.ours(kind, label)
        service = self._settings.exam_service
        if service is None:
            codings = [
                {"system": self._catalogue.uri(code.system), "code": code.code, "display": code.display or ""}
                for code in self._catalogue.kinds[kind].codes
                if self._catalogue.sends(code)
            ]
            coding = {"system": self._catalogue.uri("kind"), "code": kind, "display": label}
            universal = self._coder.concept({"coding": [*codings, coding], "text": label})
        else:
            universal = self._coder.pair([text(p) for p in (service.code, service.text, service.system)], own)
        return {3: self._filler(), 4: universal}

    def _group(
        self, number: int, request: dict[int, str], results: Sequence[Result], remarks: list[tuple[str, str]]
    ) -> Iterator[str]:
        details = self._exam.details
        common = {
            1: str(number),
            20: text(details.id),
            7: moment(details.started),
            8: moment(details.ended) if details.ended else "",
            16: self._ordered,
            22: moment(details.made),
            24: self._settings.section or "",
            25: _REPORT[details.status],
        }
        yield segment("OBR", {**common, **request})
        yield from comments(remarks, self._catalogue)
        for place, result in enumerate(results, start=1):
            yield segment("OBX", {**result.fields, **self._performed, 1: str(place)})
            yield from comments(result.comments, self._catalogue)

    def _remarks(self) -> list[tuple[str, str]]:
        """What stands under the report: why it was changed, how much was examined, the cautions."""
        exam, catalogue, words = self._exam, self._catalogue, self._catalogue.words
        found = [("reason", formatted(exam.details.reason))] if exam.details.reason else []
        found += [("corrects", text(exam.details.amends))] if exam.details.first and exam.details.amends else []
        if exam.details.reassigned_from:
            found.append(("reassigned_from", text(exam.details.reassigned_from)))
        missing = len(self._view.not_recorded)
        found.append(("counts", formatted(" ".join(counts(exam, self._view.lines, missing, words)))))
        found += [("unjudged", formatted(line)) for line in not_judged_lines(self._view.findings, words)]
        found += [("standing", formatted(with_standing(one, words))) for one in self._view.lines if one.resolved]
        return [*found, ("caution", formatted(caution(catalogue)))]

    def _own_results(self) -> list[Result]:
        """Who examined in which role, how many were born, and the tell list, a line an OBX."""
        exam, catalogue, coder, words = self._exam, self._catalogue, self._coder, self._catalogue.words
        found = []
        for number, examiner in enumerate(exam.details.examiners, start=1):
            role = catalogue.roles[examiner.role]
            code = coder.pair([], coder.ours(role.id, role.label))
            made = self._own("exam.role", "role", number, self._settings.coded_values, code)
            made.fields[16] = coder.observer(examiner)
            found.append(made)
        order = exam.newborn.birth_order
        if order is not None and order.of is not None:
            found.append(self._own("exam.born", "number_born", 1, "NM", str(order.of)))
        lines = (one for one in self._view.lines if not one.resolved)
        for number, one in enumerate(lines, start=1):
            question, flag = _TELLS[one.line.urgency]
            said = self._results.words(line_in_words(one.line, words))
            made = self._own(question, f"tell_{section_key(one.line.urgency)}", number, said[2], said[5])
            made.fields[8] = flag
            if standing := standing_in_words(one, words):
                made.comments.append(("standing", formatted(standing)))
            made.comments += [
                ("told", formatted(told_in_words(told, one.line, exam, catalogue))) for told in one.told
            ]
            found.append(made)
        for number, telling in enumerate(exam.told, start=1):
            found += self._telling(telling, number)
        if self._attached is not None:
            attached = rendered(exam, catalogue, self._attached, [one.exam for one in self._view.before])
            found.append(self._own(ATTACHED, "report", 1, "ED", attached.as_ed()))
        return found

    def _telling(self, telling: Telling, number: int) -> Iterator[Result]:
        """Who was told of a line: OBX of one sub-id, at the time of the telling; who told stands in OBX-16."""
        coder, coded = self._coder, self._settings.coded_values
        words = self._results.words(telling.line)
        made = [self._own("told.line", "told_line", number, words[2], words[5])]
        if telling.words is not None:
            made[0].comments.append(("said", formatted(telling.words)))
        made.append(self._own("told.to", "told_to", number, "XCN", coder.observer(telling.to)))
        for who, person in (("to", telling.to), ("by", telling.by)):
            if person is not None:
                role = self._catalogue.roles[person.role]
                value = coder.pair([], coder.ours(role.id, role.label))
                made.append(self._own(f"told.{who}-role", f"told_{who}_role", number, coded, value))
        if telling.read_back is not None:
            code = READ_BACK[telling.read_back]
            value = coder.pair([], coder.ours(code, self._catalogue.words.say(f"v2.{code}")))
            made.append(self._own("told.read-back", "whether_read_back", number, coded, value))
        for one in made:
            one.fields[14] = moment(telling.at)
            one.fields[16] = coder.observer(telling.by) if telling.by is not None else ""
            yield one

    def _own(self, code: str, key: str, number: int, kind: str, value: str) -> Result:
        """A result of our own: its question by its code and the key of its words."""
        label = self._catalogue.words.say(f"v2.{key}")
        details = self._exam.details
        question = self._coder.pair([], self._coder.ours(code, label))
        made = moment(details.started)
        return Result({2: kind, 3: question, 4: str(number), 5: value, 11: STATUS[details.status.value], 14: made})

    def _sub_id(self, observation: Json) -> str:
        """OBX-4: the item's place in the exam, the side, and the number of several, as in ``710.left.2``.

        The same in every version of the exam, so that a receiver can tell which result is replaced.
        """
        system = self._catalogue.identifier_system("observation")
        name = next(i["value"] for i in observation["identifier"] if i["system"] == system)
        _, item, *rest = name.split("/")
        self._made[item] += 1
        if is_computed(observation, self._catalogue.words):
            # Its name ends in the rule, which may be long; it comes after what was captured of the item.
            rest = [str(self._made[item])] if self._made[item] > 1 else []
        return ".".join([str(self._catalogue.items[item].position), *rest])
