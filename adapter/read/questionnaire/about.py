"""The questions about the exam and the newborn: who, when, by whom; keys are those of the capture record."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from adapter.catalogue import Catalogue
from adapter.catalogue.codings import codings
from adapter.catalogue.vocabulary import Term
from adapter.exam import Sex, Status
from adapter.fhir.json import Json
from adapter.read.questionnaire.node import EnableWhen, FormNode, Option, QuestionType

Say = Callable[[str], str]
"""The sentence of a key in the site's language."""

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
    say = catalogue.words.say
    statuses = {status: status_option(status) for status in Status}
    changed = tuple(
        EnableWhen("exam.status", "=", ("valueCoding", statuses[status].coding))
        for status in Status
        if status != "final"
    )
    roles = terms(catalogue, "role", catalogue.roles.values())
    examiner = (
        _field("exam.examiners.name", say("form.name"), ("name",)),
        *_name_parts("exam.examiners", (), say),
        FormNode(
            "exam.examiners.role", QuestionType.CHOICE, say("form.role"), ("role",), options=roles, required=True
        ),
        FormNode(
            "exam.examiners.identifier",
            QuestionType.GROUP,
            say("form.identifier_if"),
            children=_identifier("exam.examiners.identifier", ("identifier",), say),
        ),
    )
    return FormNode(
        "about.exam",
        QuestionType.GROUP,
        say("form.exam"),
        children=(
            _field("exam.id", say("form.id"), ("exam", "id"), required=True),
            _moment("exam.started", say("form.started"), ("exam", "started"), required=True),
            _moment("exam.ended", say("form.ended"), ("exam", "ended")),
            FormNode(
                "exam.examiners",
                QuestionType.GROUP,
                say("form.examiner"),
                ("exam", "examiners"),
                children=examiner,
                required=True,
                repeats=True,
            ),
            _field("exam.place", say("form.place"), ("exam", "place")),
            FormNode(
                "exam.encounter",
                QuestionType.GROUP,
                say("form.encounter"),
                children=_identifier("exam.encounter", ("exam", "encounter"), say),
            ),
            FormNode(
                "exam.status",
                QuestionType.CHOICE,
                say("form.status"),
                ("exam", "status"),
                options=tuple(statuses.values()),
            ),
            _field("exam.amends", say("form.amends"), ("exam", "amends"), True, changed),
            _field(
                "exam.first",
                say("form.first"),
                ("exam", "first"),
                when=changed,
            ),
            _moment("exam.recorded", say("form.recorded"), ("exam", "recorded")),
            _field(
                "exam.reassigned_from",
                say("form.reassigned_from"),
                ("exam", "reassigned_from"),
            ),
            FormNode(
                "exam.reason",
                QuestionType.TEXT,
                say("form.reason"),
                ("exam", "reason"),
                required=True,
                when=(*changed, EnableWhen("exam.reassigned_from", "exists", ("valueBoolean", True))),
            ),
        ),
    )


def about_newborn(catalogue: Catalogue) -> FormNode:
    """Whom the exam is about; the mother only by identifiers of her own."""
    say = catalogue.words.say
    sexes = tuple(sex_option(sex) for sex in Sex)
    return FormNode(
        "about.newborn",
        QuestionType.GROUP,
        say("form.newborn"),
        children=(
            _identifiers(
                "newborn.identifiers", say("form.newborn_identifier"), ("newborn", "identifiers"), say, True
            ),
            _field("newborn.name", say("form.newborn_name"), ("newborn", "name")),
            *_name_parts("newborn", ("newborn",), say),
            FormNode(
                "newborn.sex", QuestionType.CHOICE, say("form.sex"), ("newborn", "sex"), options=sexes, required=True
            ),
            _moment("newborn.birth_time", say("form.birth_time"), ("newborn", "birth_time"), required=True),
            _whole("newborn.birth_order.order", say("form.birth_order"), ("birth_order", "order"), 1, 9),
            _whole("newborn.birth_order.of", say("form.birth_of"), ("birth_order", "of"), 2, 9),
            _whole("newborn.gestation.weeks", say("form.weeks"), ("gestation", "weeks"), 20, 45),
            _whole("newborn.gestation.days", say("form.days"), ("gestation", "days"), 0, 6),
            FormNode(
                "newborn.gestation.method",
                QuestionType.CHOICE,
                say("form.estimated"),
                ("newborn", "gestation", "method"),
                options=terms(catalogue, "method", catalogue.methods.values()),
                list_of="methods",
            ),
            FormNode(
                "newborn.mother",
                QuestionType.GROUP,
                say("form.mother"),
                children=(
                    _identifiers(
                        "newborn.mother.identifiers",
                        say("form.mother_identifier"),
                        ("newborn", "mother", "identifiers"),
                        say,
                    ),
                    _field("newborn.mother.name", say("form.mother_name"), ("newborn", "mother", "name")),
                    *_name_parts("newborn.mother", ("newborn", "mother"), say),
                ),
            ),
        ),
    )


def _name_parts(of: str, at: tuple[str, ...], say: Say) -> Iterator[FormNode]:
    """The parts of a name, for those who know them apart."""
    yield _field(f"{of}.family", say("form.family"), (*at, "family"))
    yield _field(f"{of}.given", say("form.given"), (*at, "given"))
    yield _field(f"{of}.prefix", say("form.prefix"), (*at, "prefix"))


def _field(
    link_id: str, text: str, key: tuple[str, ...], required: bool = False, when: tuple[EnableWhen, ...] = ()
) -> FormNode:
    return FormNode(link_id, QuestionType.STRING, text, key, required=required, when=when)


def _moment(link_id: str, text: str, key: tuple[str, ...], required: bool = False) -> FormNode:
    return FormNode(link_id, QuestionType.DATE_TIME, text, key, required=required)


def _whole(link_id: str, text: str, key: tuple[str, ...], low: int, high: int) -> FormNode:
    return FormNode(link_id, QuestionType.INTEGER, text, ("newborn", *key), low=low, high=high)


def _identifiers(link_id: str, text: str, key: tuple[str, ...], say: Say, required: bool = False) -> FormNode:
    entry = _identifier(link_id, (), say, required)
    return FormNode(link_id, QuestionType.GROUP, text, key, children=entry, required=required, repeats=True)


def _identifier(link_id: str, key: tuple[str, ...], say: Say, required: bool = False) -> tuple[FormNode, ...]:
    return (
        _field(
            f"{link_id}.system",
            say("form.system"),
            (*key, "system"),
            required,
        ),
        _field(f"{link_id}.value", say("form.identifier_value"), (*key, "value"), required),
    )
