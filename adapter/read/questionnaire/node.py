"""One item of a form: what is asked (FHIR R4 Questionnaire.item) and which field of the record the answer fills."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from typing import Any

from adapter.fhir.json import Json


class QuestionType(StrEnum):
    """The R4 item types that occur (code system item-type)."""

    GROUP = "group"
    DISPLAY = "display"
    BOOLEAN = "boolean"
    DECIMAL = "decimal"
    INTEGER = "integer"
    DATE_TIME = "dateTime"
    STRING = "string"
    TEXT = "text"
    CHOICE = "choice"
    OPEN_CHOICE = "open-choice"
    QUANTITY = "quantity"


@dataclass(frozen=True, slots=True)
class Option:
    """One answer to choose: the id that the record holds, our own coding, and published codings of the same."""

    id: str
    coding: Json
    published: tuple[Json, ...] = ()


@dataclass(frozen=True, slots=True)
class EnableWhen:
    """A condition of R4 enableWhen: ``answer`` is the value with its type, ``{"answerBoolean": True}``."""

    question: str
    operator: str
    answer: tuple[str, Any]


@dataclass(frozen=True, slots=True)
class FormNode:
    """One item.

    ``key`` is the path of its answer in the object of the nearest repeating group with a key of its own; such a group
    is a list, and each repetition an entry of it. Without a key, an item only lays out others. ``list_of`` names a
    contained value set that holds the ``options``. ``when``: any of the conditions enables it; with ``when_all``, all
    together. ``low`` and ``high`` are what is possible, in the first of ``units``. ``extract``: marked for
    observation-based extraction, under ``category``.
    """

    link_id: str
    type: QuestionType
    text: str
    key: tuple[str, ...] = ()
    codes: tuple[Json, ...] = ()
    children: tuple[FormNode, ...] = ()
    required: bool = False
    repeats: bool = False
    options: tuple[Option, ...] = ()
    list_of: str = ""
    when: tuple[EnableWhen, ...] = ()
    when_all: bool = False
    units: tuple[Json, ...] = ()
    low: Decimal | int | None = None
    high: Decimal | int | None = None
    whole: bool = False
    extract: bool = False
    category: str = ""

    @property
    def is_list(self) -> bool:
        """Whether each repetition of the group is an entry of a list."""
        return self.type is QuestionType.GROUP and bool(self.key)

    def walk(self) -> Iterator[FormNode]:
        """The item and all that stand in it, in the order of the form."""
        yield self
        for child in self.children:
            yield from child.walk()
