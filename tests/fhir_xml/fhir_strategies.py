"""Hypothesis strategies for R4 resources, made from the element table: well-formed, in the standard's order.

They know nothing of invariants: what they make is right in structure, not in sense.
"""

from __future__ import annotations

import base64
from decimal import Decimal
from typing import Any
from xml.sax.saxutils import escape

from hypothesis import strategies as st

from adapter.fhir.definitions import ElementDefinition, Property, definition, value_set

# every character of XML 1.0 and of the FHIR string (R4 datatypes.html#string): no controls but TAB, LF, CR
CHARACTERS = st.one_of(
    st.sampled_from(" \t\n\r\"'<>&;#é\u00a0\u2028😀"),
    st.characters(min_codepoint=32, exclude_categories=("Cs",), exclude_characters="\ufffe\uffff"),
)
TEXT = st.text(CHARACTERS, min_size=1, max_size=12)
URI = st.from_regex(r"(https?://|urn:)[a-z0-9./]{1,12}", fullmatch=True)
DATE = st.dates().filter(lambda day: day.year >= 1000).map(str)
ZONE = st.sampled_from(["Z", "+00:00", "+05:30", "-03:00", "+14:00"])
CLOCK = st.builds(
    "{:02}:{:02}:{:02}{}".format, *(st.integers(0, n) for n in (23, 59, 59)), st.sampled_from(["", ".1", ".120"])
)
INSTANT = st.builds("{}T{}{}".format, DATE, CLOCK, ZONE)
DECIMAL = st.builds(
    lambda sign, whole, places: Decimal(f"{sign}{whole}{'.' + places if places else ''}"),
    st.sampled_from(["", "-"]),
    st.integers(0, 10**8),
    st.text("0123456789", max_size=6),
)

PRIMITIVES: dict[str, st.SearchStrategy[Any]] = {
    "base64Binary": st.binary(min_size=1, max_size=9).map(lambda data: base64.b64encode(data).decode()),
    "boolean": st.booleans(),
    "canonical": URI,
    "code": st.from_regex(
        r"[^\s\x00-\x1f]{1,5}( [^\s\x00-\x1f]{1,3})?", fullmatch=True, alphabet=st.characters(codec="ascii")
    ),
    "date": DATE | DATE.map(lambda day: day[:7]) | DATE.map(lambda day: day[:4]),
    "dateTime": INSTANT | DATE | DATE.map(lambda day: day[:4]),
    "decimal": DECIMAL,
    "id": st.from_regex(r"[A-Za-z0-9.-]{1,8}", fullmatch=True),
    "instant": INSTANT,
    "integer": st.integers(-(2**31), 2**31 - 1),
    "markdown": TEXT,
    "oid": st.just("urn:oid:2.16.840.1"),
    "positiveInt": st.integers(1, 2**31 - 1),
    "string": TEXT,
    "time": CLOCK,
    "unsignedInt": st.integers(0, 2**31 - 1),
    "uri": URI,
    "url": URI,
    "uuid": st.uuids().map("urn:uuid:{}".format),
    "xhtml": TEXT.map(lambda text: text.replace("\r", "") + "x").map(
        lambda text: f'<div xmlns="http://www.w3.org/1999/xhtml"><p>{escape(text)}</p><br/></div>'
    ),
}


@st.composite
def resources(draw: st.DrawFn, type_name: str, depth: int = 3) -> dict[str, Any]:
    """A resource of the given type."""
    return {"resourceType": type_name, **draw(objects(type_name, depth))}


@st.composite
def objects(draw: st.DrawFn, type_name: str, depth: int) -> dict[str, Any]:
    """The content of a resource, datatype or backbone element; never empty."""
    elements = definition(type_name).elements
    optional = [e for e in elements if not e.min and (depth > 0 or _is_flat(e))]
    wanted = {e.name for e in elements if e.min}
    if optional:
        size = {"min_size": 0 if wanted else 1, "max_size": 4 if depth > 1 else 2}
        chosen = draw(st.lists(st.sampled_from([e.name for e in optional]), unique=True, **size))
        wanted.update(chosen)
    if wanted == {"id"} and type_name != "Element" and definition(type_name).kind != "resource":
        wanted.add(draw(st.sampled_from([e.name for e in elements if e.name not in ("id", "extension")])))  # ele-1
    if type_name == "Extension" and "extension" in wanted:
        wanted.discard("value[x]")  # ext-1
    made: dict[str, Any] = {}
    for element in elements:
        if element.name in wanted:
            made.update(draw(_element(type_name, element, depth)))
    return made


def _is_flat(element: ElementDefinition) -> bool:
    properties = [p for p in definition("Extension").properties.values() if p.is_primitive]
    return element.types[0] in {p.type for p in properties} and not element.is_choice


@st.composite
def _element(draw: st.DrawFn, type_name: str, element: ElementDefinition, depth: int) -> dict[str, Any]:
    names = [p for p in definition(type_name).properties.values() if p.element == element]
    if depth <= 0:
        names = [p for p in names if p.is_primitive] or names
    item = draw(st.sampled_from(names))
    if not item.is_array:
        value, sibling = draw(_entry(item, depth))
        return _without_none({item.name: value, f"_{item.name}": sibling})
    entries = draw(st.lists(_entry(item, depth), min_size=max(1, element.min), max_size=max(2, element.min)))
    values, siblings = [e[0] for e in entries], [e[1] for e in entries]
    return _without_none(
        {
            item.name: values if any(v is not None for v in values) else None,
            f"_{item.name}": siblings if any(s is not None for s in siblings) else None,
        }
    )


@st.composite
def _entry(draw: st.DrawFn, item: Property, depth: int) -> tuple[Any, Any]:
    """One value and its sibling; a primitive may have either or both."""
    if item.type == "Resource":
        return draw(resources(draw(st.sampled_from(["Patient", "Observation"])), depth - 1)), None
    if item.type == "Reference":
        target = draw(st.sampled_from(item.element.targets or ("Patient",)))
        return {"reference": f"{target}/{draw(PRIMITIVES['id'])}"}, None
    if not item.is_primitive:
        return draw(objects(item.type, depth - 1)), None
    value = draw(_primitive(item))
    if not item.has_sibling or depth <= 0 or draw(st.integers(0, 4)):
        return value, None
    sibling = draw(objects("Element", 0).filter(bool) | objects("Extension", 0).map(lambda e: {"extension": [e]}))
    keep = "extension" not in sibling or draw(st.booleans())
    return value if keep else None, sibling


def _primitive(item: Property) -> st.SearchStrategy[Any]:
    codes = value_set(item.element.binding)
    return st.sampled_from(sorted(codes.codes)) if codes else PRIMITIVES[item.type]


def _without_none(content: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in content.items() if value is not None}
