"""Who an exam is about, of whom she was born, and who examined: names, identifiers, birth.

Part of the capture record, as :mod:`adapter.exam.model` is.
"""

from __future__ import annotations

from enum import StrEnum
from functools import cache
from typing import Annotated, Any, Self

from pydantic import (
    BeforeValidator,
    Field,
    PlainSerializer,
    StrictBool,
    StringConstraints,
    TypeAdapter,
    ValidationError,
    WithJsonSchema,
    model_validator,
)

from adapter.exam.text import Key, Line, Moment, RecordPart


class Sex(StrEnum):
    """FHIR R4 AdministrativeGender; ``other`` and ``unknown`` are answers, not gaps."""

    FEMALE = "female"
    MALE = "male"
    OTHER = "other"
    UNKNOWN = "unknown"


class Identifier(RecordPart):
    """A business identifier; ``system`` is a URI, or a short name that the site's settings translate."""

    system: Annotated[Line, StringConstraints(pattern=r"^\S+$")]
    value: Line

    def __str__(self) -> str:
        return f"{self.system}|{self.value}"


class Gestation(RecordPart):
    """Completed weeks and days at birth, and how they were estimated (a method id of the catalogue)."""

    weeks: int = Field(strict=True, ge=20, le=45)
    days: int | None = Field(default=None, strict=True, ge=0, le=6)
    method: Key | None = None


class BirthOrder(RecordPart):
    """Which of how many born of this pregnancy: ``order`` 1 of ``of`` 2 is the first twin."""

    order: int = Field(strict=True, ge=1, le=9)
    of: int | None = Field(default=None, strict=True, ge=2, le=9)

    @model_validator(mode="after")
    def _within(self) -> BirthOrder:
        if self.of is not None and self.order > self.of:
            raise ValueError(f"order {self.order} of {self.of} cannot be; order counts from 1 to of")
        return self


Words = Annotated[Line, StringConstraints(pattern=r"^\S+( \S+)*$")]
"""Names with one space between: each word is a name of its own."""


def name_of_parts(prefix: str | None, given: str | None, family: str | None) -> str:
    """The parts of a name as one line, in the order in which they are said; empty where none is known."""
    return " ".join(filter(None, (prefix, given, family)))


@cache
def _checks_of_facts() -> tuple[TypeAdapter[str], TypeAdapter[bool | str]]:
    """What checks a fact's name and what checks the fact; made when the first is met, since most exams have none."""
    return TypeAdapter(Key), TypeAdapter(StrictBool | Line)


def _facts(value: Any) -> Any:
    """A mapping as pairs in the order of their names, so that the same facts are equal and can be hashed."""
    if not isinstance(value, dict | tuple) or not value:
        raise ValueError('must be an object of facts by name, such as {"birth_sex": "F"}')
    pairs = value.items() if isinstance(value, dict) else value
    of_name, of_fact = _checks_of_facts()
    for name, fact in pairs:
        try:
            of_name.validate_python(name)
            of_fact.validate_python(fact)
        except ValidationError:
            raise ValueError(
                f"{name!r} must be text on one line, true or false, under a name of small letters"
            ) from None
    return tuple(sorted(pairs))


Facts = Annotated[
    tuple[tuple[str, Any], ...],
    BeforeValidator(_facts),
    PlainSerializer(dict, return_type=dict[str, bool | str]),
    WithJsonSchema({"type": "object", "additionalProperties": {"type": ["string", "boolean"]}, "minProperties": 1}),
]
"""Further facts of a person by the names that the site's person_facts.yaml gives them; an object in the record."""


class Named:
    """A person's name: the line that people use, and its parts where the house knows them; either may be without the
    other. The parts are those of FHIR R4 HumanName and of HL7 v2 XPN."""

    name: str | None
    family: str | None
    given: str | None
    prefix: str | None
    facts: tuple[tuple[str, bool | str], ...] | None

    @property
    def shown_name(self) -> str | None:
        """The name as one line: as people use it, else its parts in their order."""
        return self.name or name_of_parts(self.prefix, self.given, self.family) or None

    @property
    def has_parts(self) -> bool:
        """Whether family or given name are known apart."""
        return self.family is not None or self.given is not None


def with_parts(person: Named) -> None:
    """Raises ValueError where a prefix stands without the name that it goes before."""
    if person.prefix is not None and not person.has_parts:
        raise ValueError("a prefix needs a family or a given name with it")


class _Identified(RecordPart, Named):
    """A person of the family, known by numbers of her own."""

    identifiers: tuple[Identifier, ...] = Field(min_length=1)
    name: Line | None = None
    family: Line | None = None
    given: Words | None = None
    prefix: Words | None = None
    facts: Facts | None = None

    @model_validator(mode="after")
    def _coherent(self) -> Self:
        with_parts(self)
        return self


class Mother(_Identified):
    """Who gave birth, known by her own identifiers, never by the newborn's."""


class Newborn(_Identified):
    """Whom the exam is about."""

    sex: Sex
    birth_time: Moment
    birth_order: BirthOrder | None = None
    gestation: Gestation | None = None
    mother: Mother | None = None


class Examiner(RecordPart, Named):
    """Who examined, told or was told, in which role (a role id of the catalogue).

    The parts of a name go with an identifier, since an examiner without one is only named where others refer to her.
    """

    name: Line | None = None
    family: Line | None = None
    given: Words | None = None
    prefix: Words | None = None
    facts: Facts | None = None
    identifier: Identifier | None = None
    role: Key

    @model_validator(mode="after")
    def _known(self) -> Examiner:
        if self.has_parts and self.identifier is None:
            raise ValueError("family and given name of a person need an identifier with them")
        if self.name is None and self.identifier is None:
            raise ValueError("a person needs a name, an identifier, or both")
        if self.facts is not None and self.identifier is None:
            raise ValueError("facts of a person need an identifier")
        with_parts(self)
        return self
