"""Quasi-identifiers: what tells nobody's name, and still picks out few where it comes together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

from adapter.catalogue import Catalogue, Meaning
from adapter.derive.size import measured
from adapter.exam import Exam
from adapter.write.deidentify.coarse import GESTATION, WITHHELD, band

_BAND = Decimal(500)


def _weight_band(exam: Exam, catalogue: Catalogue) -> str:
    found = measured(exam, "birth_weight", "g", catalogue)
    words = [one.text for one in exam.findings if one.item == "birth_weight" and one.text]
    return weight_band(None if found is None else found[1], words[0] if words else "")


def weight_band(number: Decimal | None, words: str) -> str:
    """Of what stands of a birth weight, in g: the band that a policy put there, else one of half a kilogram."""
    if number is not None:
        return band(number, _BAND, " g")
    return words if words != WITHHELD else ""


def _order(exam: Exam, part: str) -> str:
    order = exam.newborn.birth_order
    return str(getattr(order, part) or "") if order else ""


QUASI_IDENTIFIERS: dict[str, Callable[[Exam, Catalogue], str]] = {
    "birth_year": lambda exam, _: str(exam.newborn.birth_time.year),
    "sex": lambda exam, _: exam.newborn.sex.value,
    "gestation_weeks": lambda exam, _: str(exam.newborn.gestation.weeks) if exam.newborn.gestation else "",
    "birth_order": lambda exam, _: _order(exam, "order"),
    "born_of": lambda exam, _: _order(exam, "of"),
    "birth_weight_band": _weight_band,
    "exam_kind": lambda exam, _: exam.details.kind,
}
"""By name: the value of an exam as text; empty where it is not known."""


@dataclass(frozen=True, slots=True)
class Suppressed:
    """What is taken out with a quasi-identifier: ``fields`` of the newborn, and the values of ``items``.

    With the multiple birth the mother, by whom its siblings would be found all the same.
    """

    fields: tuple[str, ...] = ()
    items: tuple[str, ...] = ()


SUPPRESSIBLE = {
    "gestation_weeks": Suppressed(("gestation",), (GESTATION,)),
    "birth_order": Suppressed(("birth_order", "mother")),
    "born_of": Suppressed(("birth_order", "mother")),
    "birth_weight_band": Suppressed(items=("birth_weight", "weight")),
}
"""By quasi-identifier; of the others more is left than can be taken out (findings tell the sex)."""


def sensitive_answers(exam: Exam, item: str, catalogue: Catalogue) -> tuple[str, ...]:
    """The answers to an item that are not expected ones: what somebody would learn."""
    answers = {one.id: one.meaning for one in catalogue.items[item].answers}
    found = {one.answer for one in exam.findings if one.item == item and one.answer is not None}
    return tuple(sorted(one for one in found if answers.get(one) is not Meaning.EXPECTED))
