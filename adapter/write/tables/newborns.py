"""One row a newborn."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from uuid import uuid5

from adapter.catalogue import Catalogue
from adapter.exam import Identifier, Sex
from adapter.write.tables.column import Column, Row, Type, joined, moment
from adapter.write.tables.tabled import TabledExam
from adapter.write.tables.terms import terms, words


def columns(catalogue: Catalogue) -> tuple[Column, ...]:
    """The columns; ``mother_id`` is the same for children of one mother."""
    text = Type.TEXT
    return (
        Column("newborn_id", text, "The newborn: the id of the FHIR Patient"),
        Column("identifiers", text, "Identifiers, system|value", several=True),
        Column("name", text, "Name as the ward gives it"),
        Column("sex", text, "Sex as recorded", allowed=words(Sex)),
        *moment("birth", "Time of birth"),
        Column("birth_year", Type.INTEGER, "Year of birth, which stands where its date is withheld too"),
        Column("birth_order", Type.INTEGER, "Born as which of this pregnancy"),
        Column("born_of", Type.INTEGER, "Of how many born of this pregnancy"),
        Column("gestation_weeks", Type.INTEGER, "Completed weeks of gestation at birth", "wk"),
        Column("gestation_days", Type.INTEGER, "Days of gestation beyond the completed weeks", "d"),
        Column("gestation_total_days", Type.INTEGER, "Gestation at birth in days, where the days are known", "d"),
        Column("gestation_method", text, "How gestation was estimated", allowed=terms(catalogue.methods)),
        Column("mother_id", text, "The mother: the same for all her children"),
        Column("mother_identifiers", text, "Her identifiers, system|value", several=True),
        Column("mother_name", text, "Her name"),
    )


def rows(tabled: TabledExam) -> Iterator[Row]:
    """The newborn of the exam."""
    newborn, catalogue = tabled.exam.newborn, tabled.catalogue
    order, gestation, mother = newborn.birth_order, newborn.gestation, newborn.mother
    weeks = gestation.weeks if gestation else None
    days = gestation.days if gestation else None
    yield (
        tabled.newborn_id,
        _identifiers(newborn.identifiers, catalogue),
        newborn.shown_name,
        newborn.sex.value,
        *tabled.moment(newborn.birth_time),
        newborn.birth_time.year,
        order.order if order else None,
        order.of if order else None,
        weeks,
        days,
        None if weeks is None or days is None else weeks * 7 + days,
        gestation.method if gestation else None,
        mother_id(mother.identifiers[0], catalogue) if mother else None,
        _identifiers(mother.identifiers, catalogue) if mother else None,
        mother.shown_name if mother else None,
    )


def mother_id(identifier: Identifier, catalogue: Catalogue) -> str:
    """A name-based UUID of the mother's first identifier (RFC 9562, version 5).

    FHIR names her after each newborn; to link her children, a table needs one for her.
    """
    return str(uuid5(catalogue.namespace, f"mother|{catalogue.resolve(identifier)}"))


def _identifiers(given: Iterable[Identifier], catalogue: Catalogue) -> str:
    return joined(str(catalogue.resolve(identifier)) for identifier in given)
