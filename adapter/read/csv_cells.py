"""What stands in one cell of the capture CSV, both ways: identifiers, examiners, values.

A backslash takes the character after it literally where that character would otherwise divide the cell
(``\\|``, ``\\;``, ``\\/``, ``\\\\``), as FHIR R4 does in search parameters (section 3.1.1.4.0.1).
"""

from __future__ import annotations

import re
from typing import Any

from adapter.catalogue import Item, ItemType, UnitTable
from adapter.exam import At, BirthOrder, Examiner, Finding, Gestation, Identifier, Quantities, Quantity, Score
from adapter.read.raw import Unreadable
from adapter.read.wording import shown, takes

Facts = tuple[tuple[str, bool | str], ...]
_NUMBER = r"-?\d{1,9}(?:\.\d{1,9})?"
_AMOUNT = re.compile(rf"(<=|>=|<|>)?\s*({_NUMBER})(?:\s*\+\s*({_NUMBER}))?")
_ORDER = re.compile(r"(\d{1,2})(?:\s+of\s+(\d{1,2}))?")
_GESTATION = re.compile(r"(\d{1,2})(?:\+(\d))?")


def split(text: str, mark: str, most: int = -1) -> list[str]:
    """The parts of a cell between unescaped marks, escapes still in them; at most ``most`` cuts."""
    parts, start, n = [], 0, 0
    while n < len(text):
        if text[n] == "\\":
            n += 1
        elif text[n] == mark and most != 0:
            parts.append(text[start:n])
            start, most = n + 1, most - 1
        n += 1
    return [*parts, text[start:]]


def plain(text: str) -> str:
    """A part without its escapes."""
    return re.sub(r"\\(.)", r"\1", text.strip(), flags=re.DOTALL)


def escaped(text: str, marks: str) -> str:
    """A part with a backslash before every mark and every backslash."""
    return re.sub(f"([{re.escape(marks)}\\\\])", r"\\\1", text)


def read_identifier(text: str) -> Any:
    """``system|value`` as the record holds it."""
    parts = split(text, "|", 1)
    if len(parts) != 2 or not parts[0].strip() or not parts[1].strip():
        return Unreadable(
            "not-an-identifier", "an identifier without its system or value", "system|value, such as mrn|4711"
        )
    return {"system": plain(parts[0]), "value": plain(parts[1])}


def write_identifier(identifier: Identifier) -> str:
    """The inverse of :func:`read_identifier`, fit for a list."""
    return f"{escaped(identifier.system, '|;')}|{escaped(identifier.value, '|;')}"


def read_identifiers(text: str) -> Any:
    """Several identifiers with ``;`` between them."""
    return [read_identifier(part) for part in split(text, ";")]


_YES_OR_NO = {"yes": True, "no": False}
_NAMES = ("name", "family", "given", "prefix")


def read_examiners(text: str) -> Any:
    """Examiners with ``;`` between them, each ``name/role``, ``name/role/system|value`` or ``/role/system|value``.

    A name may have its parts with it, ``name|family|given|prefix``, and the identifier facts:
    ``system|value|board=77``.
    """
    return [read_examiner(part) for part in split(text, ";")]


def read_examiner(text: str) -> Any:
    """One person of :func:`read_examiners`."""
    parts = split(text, "/", 2)
    if len(parts) < 2 or not parts[1].strip():
        return Unreadable(
            "not-an-examiner",
            "an examiner without a role",
            "name/role or name/role/system|value, such as A. Example/midwife",
        )
    found: dict[str, Any] = {"role": plain(parts[1])}
    names = split(parts[0], "|")
    apart = zip(_NAMES, names if len(names) == len(_NAMES) else [parts[0]], strict=False)
    found |= {field: plain(name) for field, name in apart if name.strip()}
    if len(parts) == 3:
        known, facts = split(parts[2], "|"), []
        if len(known) > 2 and all("=" in part for part in known[2:]):
            known, facts = known[:2], known[2:]
        found["identifier"] = read_identifier("|".join(known))
        if facts:
            found["facts"] = _facts(facts)
    return found


def write_examiner(examiner: Examiner) -> str:
    """The inverse of one examiner of :func:`read_examiners`."""
    names = [escaped(getattr(examiner, field) or "", "/;|") for field in _NAMES]
    text = f"{'|'.join(names) if examiner.has_parts else names[0]}/{examiner.role}"
    if examiner.identifier is None:
        return text
    return "|".join([f"{text}/{write_identifier(examiner.identifier)}", *_written(examiner.facts or ())])


def read_facts(text: str) -> Any:
    """``name=value`` with ``;`` between them; ``true`` and ``false`` are yes and no."""
    return _facts(split(text, ";"))


def write_facts(facts: Facts | None) -> str | None:
    """The inverse of :func:`read_facts`."""
    return ";".join(_written(facts)) if facts else None


def fact_value(text: str) -> bool | str:
    """A fact out of a cell."""
    return {"true": True, "false": False}.get(text, text)


def _facts(parts: list[str]) -> Any:
    pairs = [split(part, "=", 1) for part in parts]
    if any(len(pair) != 2 for pair in pairs):
        return Unreadable("not-facts", "a fact without its value", "name=value, such as birth_sex=F")
    return {plain(name): fact_value(plain(value)) for name, value in pairs}


def _written(facts: Facts) -> list[str]:
    return [f"{name}={str(v).lower() if isinstance(v, bool) else escaped(v, '|;/=')}" for name, v in facts]


def read_yes_or_no(text: str) -> Any:
    """``yes`` or ``no``."""
    if text not in _YES_OR_NO:
        return Unreadable("not-yes-or-no", f"{shown(text)} is neither yes nor no", "yes, no, or blank: not recorded")
    return _YES_OR_NO[text]


def write_yes_or_no(value: bool | None) -> str | None:
    """The inverse of :func:`read_yes_or_no`."""
    return None if value is None else "yes" if value else "no"


def read_birth_order(text: str) -> Any:
    """``1 of 2``, or ``1`` where the number born is not known."""
    found = _ORDER.fullmatch(text)
    if not found:
        return Unreadable("birth-order", f"{shown(text)} is not a birth order", "1 of 2, or 1")
    return {"order": int(found[1])} | ({"of": int(found[2])} if found[2] else {})


def write_birth_order(order: BirthOrder) -> str:
    """The inverse of :func:`read_birth_order`."""
    return f"{order.order} of {order.of}" if order.of is not None else str(order.order)


def read_gestation(text: str) -> Any:
    """``39+4`` (weeks and days), or ``39`` where only completed weeks are known."""
    found = _GESTATION.fullmatch(text)
    if not found:
        return Unreadable(
            "not-a-gestation",
            f"{shown(text)} is not a gestation",
            "weeks+days such as 39+4, or completed weeks such as 39",
        )
    return {"weeks": int(found[1])} | ({"days": int(found[2])} if found[2] else {})


def write_gestation(gestation: Gestation) -> str:
    """The inverse of :func:`read_gestation`."""
    return f"{gestation.weeks}+{gestation.days}" if gestation.days is not None else str(gestation.weeks)


def read_value(text: str, unit: str, item: Item | None, units: UnitTable) -> Any:
    """The value cell as the record holds it, by what the item takes; of an unknown item as it stands."""
    match item.type if item else None:
        case ItemType.QUANTITY:
            return _quantity(text, unit, item, units)
        case ItemType.QUANTITIES:
            return _quantities(text, unit, item, units)
        case ItemType.SCORE:
            return _score(text, item, units)
        case ItemType.TIME if text[:1].isdigit() and text[:4].isdigit():
            return {"time": text}
        case ItemType.CHOICE | ItemType.CHOICES if ";" in text:
            return [part.strip() for part in text.split(";")]
    return text


def _quantity(text: str, unit: str, item: Item | None, units: UnitTable) -> Any:
    found = _AMOUNT.fullmatch(text)
    if not found:
        return _not_a_number(text, item, units)
    comparator, value, plus = found.groups()
    record: dict[str, Any] = {"value": value}
    if comparator:
        record["comparator"] = comparator
    names = [name.strip() for name in unit.split("+")]
    if plus is not None or len(names) == 2:
        if plus is None or len(names) != 2:
            return Unreadable(
                "wrong-parts", "value and unit have not the same number of parts", "such as 7+4 with the unit lb+oz"
            )
        record["plus"] = {"value": plus, "unit": names[1]}
    if names[0]:
        record["unit"] = names[0]
    return record


def _not_a_number(text: str, item: Item | None, units: UnitTable) -> Unreadable:
    right = takes(item, units) if item else "a number"
    if re.fullmatch(r"-?\d+,\d+", text):
        return Unreadable(
            "not-a-number", f"{shown(text)} is written with a comma", f"a decimal point: {text.replace(',', '.')}"
        )
    if re.match(r"[<>]?=?\s*-?[\d.]", text):
        return Unreadable(
            "not-a-number",
            f"{shown(text)} is not a number as measured",
            f"{right}; the unit stands in its own column",
        )
    return Unreadable("wrong-kind-of-value", f"{shown(text)} is not a number", right)


def _quantities(text: str, unit: str, item: Item | None, units: UnitTable) -> Any:
    assert item is not None
    if "=" in text:
        pairs = [part.partition("=") for part in text.split(";")]
        numbers = {name.strip(): value.strip() for name, _, value in pairs}
    else:
        parts = [part.strip() for part in text.split("/")]
        if len(parts) > len(item.components):
            order = "/".join(c.id for c in item.components)
            return Unreadable(
                "unknown-component", f"{len(parts)} numbers, {item.id} has {len(item.components)}", order
            )
        numbers = {c.id: part for c, part in zip(item.components, parts, strict=False) if part}
    for number in numbers.values():
        if not re.fullmatch(_NUMBER, number):
            return _not_a_number(number, item, units)
    return {"components": numbers} | ({"unit": unit} if unit else {})


def _score(text: str, item: Item | None, units: UnitTable) -> Any:
    signs: dict[str, Any] = {}
    total: Any = None
    for part in text.split(";"):
        name, mark, answer = (p.strip() for p in part.partition("="))
        if mark and name != "total":
            signs[name] = answer
        elif re.fullmatch(r"-?\d{1,3}", answer if mark else name):
            total = int(answer if mark else name)
        else:
            right = takes(item, units) if item else "a score"
            return Unreadable(
                "wrong-kind-of-value",
                f"{shown(part)} is not a total or a sign",
                f"{right}: 8, or total=8;sign=answer",
            )
    return ({"signs": signs} if signs else {}) | ({"total": total} if total is not None else {})


def write_value(finding: Finding) -> tuple[str, str]:
    """The cells value and unit of a finding."""
    match finding.value:
        case Quantity() as q:
            value = f"{q.comparator.value if q.comparator else ''}{q.value:f}"
            return (f"{value}+{q.plus.value:f}", f"{q.unit}+{q.plus.unit}") if q.plus else (value, q.unit)
        case Quantities() as several:
            return ";".join(f"{name}={number:f}" for name, number in several.components.items()), several.unit
        case Score() as score:
            total = [] if score.total is None else [f"total={score.total}"]
            return ";".join(total + [f"{name}={answer}" for name, answer in score.signs.items()]), ""
        case At() as at:
            return at.time.isoformat(), ""
        case str() as answer:
            return answer, ""
    return "", ""
