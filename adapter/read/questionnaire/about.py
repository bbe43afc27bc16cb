"""The questions about the exam and the newborn: who, when, by whom; keys are those of the capture record."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from adapter.catalogue import Catalogue
from adapter.catalogue.codings import codings
from adapter.catalogue.vocabulary import Term
from adapter.exam import Sex, Status
from adapter.read.questionnaire.node import EnableWhen, FormNode, Json, Option, QuestionType

GENDER = "http://hl7.org/fhir/administrative-gender"
STATUS = "http://hl7.org/fhir/observation-status"

_SEX_DISPLAY = {Sex.FEMALE: "Female", Sex.MALE: "Male", Sex.OTHER: "Other", Sex.UNKNOWN: "Unknown"}
_STATUS_DISPLAY = {Status.FINAL: "Final", Status.AMENDED: "Amended", Status.ENTERED_IN_ERROR: "Entered in Error"}


def of_codings(entry_id: str, coding: list[Json]) -> Option:
    """An option by our own coding, which is the last; the published ones beside it."""
    return Option(entry_id, coding[-1], tuple(coding[:-1]))


def terms(catalogue: Catalogue, system: str, entries: Iterable[Term]) -> tuple[Option, ...]:
    """A plain list of the catalogue as options."""
    return tuple(of_codings(term.id, codings(catalogue).term(system, term)) for term in entries)


def status_option(status: Status) -> Option:
    """How far the record stands, by R4's own code system."""
    return Option(status.value, {"system": STATUS, "code": status.value, "display": _STATUS_DISPLAY[status]})


def sex_option(sex: Sex) -> Option:
    """A sex by FHIR's own code system."""
    return Option(sex.value, {"system": GENDER, "code": sex.value, "display": _SEX_DISPLAY[sex]})


def about_exam(catalogue: Catalogue) -> FormNode:
    """When, where, by whom, and whether it corrects an earlier record."""
    statuses = {status: status_option(status) for status in Status}
    changed = tuple(
        EnableWhen("exam.status", "=", ("valueCoding", statuses[status].coding))
        for status in Status
        if status != "final"
    )
    roles = terms(catalogue, "role", catalogue.roles.values())
    examiner = (
        _field("exam.examiners.name", "Name", ("name",)),
        *_name_parts("exam.examiners", ()),
        FormNode("exam.examiners.role", QuestionType.CHOICE, "Role", ("role",), options=roles, required=True),
        FormNode(
            "exam.examiners.identifier",
            QuestionType.GROUP,
            "Identifier, if there is one",
            children=_identifier("exam.examiners.identifier", ("identifier",)),
        ),
    )
    return FormNode(
        "about.exam",
        QuestionType.GROUP,
        "Examination",
        children=(
            _field("exam.id", "Id of this exam, each used once", ("exam", "id"), required=True),
            _moment("exam.started", "Started", ("exam", "started"), required=True),
            _moment("exam.ended", "Ended", ("exam", "ended")),
            FormNode(
                "exam.examiners",
                QuestionType.GROUP,
                "Examiner",
                ("exam", "examiners"),
                children=examiner,
                required=True,
                repeats=True,
            ),
            _field("exam.place", "Place", ("exam", "place")),
            FormNode(
                "exam.encounter",
                QuestionType.GROUP,
                "The ward's encounter, if it has an identifier",
                children=_identifier("exam.encounter", ("exam", "encounter")),
            ),
            FormNode(
                "exam.status",
                QuestionType.CHOICE,
                "Status (final, unless this record changes an earlier one)",
                ("exam", "status"),
                options=tuple(statuses.values()),
            ),
            _field("exam.amends", "Id of the version that it corrects", ("exam", "amends"), True, changed),
            _field(
                "exam.first",
                "Id of the exam as first recorded, where that is another",
                ("exam", "first"),
                when=changed,
            ),
            _moment("exam.recorded", "When this version was recorded, if after the exam", ("exam", "recorded")),
            _field(
                "exam.reassigned_from",
                "Id of the exam that was recorded on the wrong newborn and is this one",
                ("exam", "reassigned_from"),
            ),
            FormNode(
                "exam.reason",
                QuestionType.TEXT,
                "Why it is changed",
                ("exam", "reason"),
                required=True,
                when=(*changed, EnableWhen("exam.reassigned_from", "exists", ("valueBoolean", True))),
            ),
        ),
    )


def about_newborn(catalogue: Catalogue) -> FormNode:
    """Whom the exam is about; the mother only by identifiers of her own."""
    sexes = tuple(sex_option(sex) for sex in Sex)
    return FormNode(
        "about.newborn",
        QuestionType.GROUP,
        "Newborn",
        children=(
            _identifiers("newborn.identifiers", "Identifier of the newborn", ("newborn", "identifiers"), True),
            _field("newborn.name", "Name, as the ward gives it", ("newborn", "name")),
            *_name_parts("newborn", ("newborn",)),
            FormNode("newborn.sex", QuestionType.CHOICE, "Sex", ("newborn", "sex"), options=sexes, required=True),
            _moment("newborn.birth_time", "Time of birth", ("newborn", "birth_time"), required=True),
            _whole(
                "newborn.birth_order.order", "Of a multiple birth: born as number", ("birth_order", "order"), 1, 9
            ),
            _whole("newborn.birth_order.of", "Of a multiple birth: of how many", ("birth_order", "of"), 2, 9),
            _whole("newborn.gestation.weeks", "Gestation at birth: completed weeks", ("gestation", "weeks"), 20, 45),
            _whole("newborn.gestation.days", "Gestation at birth: and days", ("gestation", "days"), 0, 6),
            FormNode(
                "newborn.gestation.method",
                QuestionType.CHOICE,
                "Gestation at birth: how it was estimated",
                ("newborn", "gestation", "method"),
                options=terms(catalogue, "method", catalogue.methods.values()),
                list_of="methods",
            ),
            FormNode(
                "newborn.mother",
                QuestionType.GROUP,
                "Mother",
                children=(
                    _identifiers(
                        "newborn.mother.identifiers",
                        "Identifier of the mother, never the newborn's",
                        ("newborn", "mother", "identifiers"),
                    ),
                    _field("newborn.mother.name", "Name of the mother", ("newborn", "mother", "name")),
                    *_name_parts("newborn.mother", ("newborn", "mother")),
                ),
            ),
        ),
    )


def _name_parts(of: str, at: tuple[str, ...]) -> Iterator[FormNode]:
    """The parts of a name, for those who know them apart."""
    for part, label in (("family", "Family name"), ("given", "Given names"), ("prefix", "Title before the name")):
        yield _field(f"{of}.{part}", label, (*at, part))


def _field(
    link_id: str, text: str, key: tuple[str, ...], required: bool = False, when: tuple[EnableWhen, ...] = ()
) -> FormNode:
    return FormNode(link_id, QuestionType.STRING, text, key, required=required, when=when)


def _moment(link_id: str, text: str, key: tuple[str, ...], required: bool = False) -> FormNode:
    return FormNode(link_id, QuestionType.DATE_TIME, text, key, required=required)


def _whole(link_id: str, text: str, key: tuple[str, ...], low: int, high: int) -> FormNode:
    return FormNode(link_id, QuestionType.INTEGER, text, ("newborn", *key), low=low, high=high)


def _identifiers(link_id: str, text: str, key: tuple[str, ...], required: bool = False) -> FormNode:
    entry = _identifier(link_id, (), required)
    return FormNode(link_id, QuestionType.GROUP, text, key, children=entry, required=required, repeats=True)


def _identifier(link_id: str, key: tuple[str, ...], required: bool = False) -> tuple[FormNode, ...]:
    return (
        _field(
            f"{link_id}.system",
            "System: who gives it (a URI, or a short name of the site)",
            (*key, "system"),
            required,
        ),
        _field(f"{link_id}.value", "Value", (*key, "value"), required),
    )
