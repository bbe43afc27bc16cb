"""One answer of a QuestionnaireResponse, both ways: FHIR R4 ``item.answer`` and the value that the record holds."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from adapter.catalogue import Catalogue
from adapter.fhir.json import Json
from adapter.fhir.parts import WRITTEN_UNIT, written_unit
from adapter.read.questionnaire.node import FormNode, QuestionType
from adapter.read.raw import Unreadable
from adapter.read.wording import listed, near, shown


@dataclass(frozen=True, slots=True)
class Words:
    """An answer in words to a question that has answers to choose."""

    text: str


_ELEMENTS: dict[QuestionType, tuple[str, ...]] = {
    QuestionType.BOOLEAN: ("valueBoolean",),
    QuestionType.DECIMAL: ("valueDecimal",),
    QuestionType.INTEGER: ("valueInteger",),
    QuestionType.DATE_TIME: ("valueDateTime",),
    QuestionType.STRING: ("valueString",),
    QuestionType.TEXT: ("valueString",),
    QuestionType.CHOICE: ("valueCoding",),
    QuestionType.OPEN_CHOICE: ("valueCoding", "valueString"),
    QuestionType.QUANTITY: ("valueQuantity",),
}
_JSON: dict[str, tuple[type, ...]] = {
    "valueBoolean": (bool,),
    "valueDecimal": (int, Decimal),
    "valueInteger": (int,),
    "valueDateTime": (str,),
    "valueString": (str,),
    "valueCoding": (dict,),
    "valueQuantity": (dict,),
}


def written(value: Any, node: FormNode, catalogue: Catalogue) -> Json:
    """The answer that holds a value of the record. Raises ``KeyError`` where the question has no such answer."""
    if isinstance(value, Words):
        return {"valueString": value.text}
    match node.type:
        case QuestionType.CHOICE | QuestionType.OPEN_CHOICE:
            option = next((o for o in node.options if o.id == value), None)
            if option is None:
                raise KeyError(f"{node.link_id} has no answer {value}")
            return {"valueCoding": {k: v for k, v in option.coding.items() if k != "extension"}}
        case QuestionType.QUANTITY:
            unit = catalogue.units.find(value["unit"])
            if unit is None:
                raise KeyError(f"{node.link_id} is not measured in {value['unit']}")
            # The unit reads as the form offers it: a validator compares the words too.
            words = next((u["display"] for u in node.units if u["code"] == unit.ucum), value["unit"])
            known = {"unit": words, "system": catalogue.uri("ucum"), "code": unit.ucum}
            comparator = {"comparator": value["comparator"]} if "comparator" in value else {}
            quantity: Json = {"value": value["value"], **comparator, **known}
            if words != value["unit"]:
                extension = {"url": f"{catalogue.settings.canonical}/{WRITTEN_UNIT}", "valueString": value["unit"]}
                quantity = {"extension": [extension], **quantity}
            return {"valueQuantity": quantity}
    (element,) = _ELEMENTS[node.type]
    return {element: value.isoformat() if isinstance(value, datetime) else value}


def read(answer: Json, node: FormNode, catalogue: Catalogue) -> Any:
    """The value of an answer, or :class:`Unreadable` with what is wrong and what would be right."""
    elements = [name for name in answer if name.startswith("value")]
    allowed = _ELEMENTS[node.type]
    right = f"{' or '.join(allowed)}, since the question is of type {node.type.value}"
    if len(elements) != 1:
        what = "an answer without a value" if not elements else f"an answer with {len(elements)} values"
        return Unreadable("no-answer" if not elements else "several-values", what, right)
    (element,) = elements
    value: Any = answer[element]
    if isinstance(value, Unreadable):
        return value
    if element not in allowed:
        return Unreadable("wrong-answer-type", f"{node.link_id} is answered by {shown(element)}", right)
    fits = isinstance(value, _JSON[element]) and (type(value) is bool) is (element == "valueBoolean")
    if not fits:
        return Unreadable(
            "wrong-type", f"{element} does not hold what its name says", f"{element} as in FHIR R4 JSON"
        )
    if element == "valueCoding":
        return _chosen(value, node)
    if element == "valueQuantity":
        return _quantity(value, node, catalogue)
    return Words(value) if element == "valueString" and node.type is not QuestionType.STRING else value


def _chosen(coding: Json, node: FormNode) -> Any:
    """The id of the option that a coding stands for: system and code must both be its own."""
    system, code = coding.get("system"), coding.get("code")
    for option in node.options:
        if (option.coding["system"], option.coding["code"]) == (system, code):
            return option.id
    codes = [option.coding["code"] for option in node.options]
    if code in codes:
        option = node.options[codes.index(code)]
        what = f"{shown(code)} is not of the code system that this form uses"
        return Unreadable("unknown-answer", what, f"the system {option.coding['system']}")
    meant = near(code, codes)
    right = f"did you mean {' or '.join(meant)}? Allowed: " if meant else "one of "
    named = "a coding without a code" if code is None else f"the answer {shown(code)}"
    what = f"{named} is not among the answers of {node.link_id}"
    return Unreadable("unknown-answer", what, right + listed(codes, 20))


def _quantity(quantity: Json, node: FormNode, catalogue: Catalogue) -> Any:
    """Number, comparator and unit as the record has them; the record's own checks do the rest."""
    value = quantity.get("value")
    if isinstance(value, bool) or not isinstance(value, (int, Decimal, Unreadable)):
        what = "a quantity without a number" if value is None else "the value of a quantity is not a number"
        return Unreadable("not-a-number", what, "value as a JSON number with its digits as measured, such as 3.10")
    found: Json = {"value": value}
    unit = _unit(quantity, node, catalogue)
    if unit is not None:
        found["unit"] = unit
    if "comparator" in quantity:
        found["comparator"] = quantity["comparator"]
    return found


def _unit(quantity: Json, node: FormNode, catalogue: Catalogue) -> Any:
    """The unit as written where it can be known, else its UCUM code; both must say the same."""
    spelling, code = written_unit(quantity, catalogue), quantity.get("code")
    named = catalogue.units.find(spelling) if isinstance(spelling, str) else None
    if code is None:
        return spelling
    allowed = listed(unit["code"] for unit in node.units)
    coded = catalogue.units.get(code) if isinstance(code, str) else None
    if coded is None or quantity.get("system", catalogue.uri("ucum")) != catalogue.uri("ucum"):
        return Unreadable("unknown-unit", f"{shown(code)} is no UCUM code known here", f"one of {allowed}, of UCUM")
    if named is None:
        return coded.ucum
    if named is not coded:
        what = f"the unit reads {shown(spelling)}, its code {shown(code)}"
        return Unreadable("unit-and-code", what, f"unit and code that say the same, one of {allowed}")
    return spelling
