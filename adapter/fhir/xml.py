"""FHIR XML from and to the dicts of FHIR JSON (FHIR R4, XML Representation of Resources, xml.html).

Both ways follow the element table of :mod:`adapter.fhir.definitions`, so that order, arrays and types are
the standard's. Digits of decimals survive. Input is never trusted: no document type, no entities, no network.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from copy import deepcopy
from decimal import Decimal
from functools import cache, lru_cache
from itertools import zip_longest
from typing import Any

from lxml import etree

from adapter.fhir.definitions import Property, TypeDefinition, definition, primitive, resource_types
from adapter.fhir.json import FhirJsonError, decimal_text
from adapter.problems import AdapterError

FHIR = "http://hl7.org/fhir"
XHTML = "http://www.w3.org/1999/xhtml"

_NAMESPACES: dict[Any, str] = {None: FHIR}  # lxml's stubs do not know the default namespace
_DECLARATION = b'<?xml version="1.0" encoding="UTF-8"?>\n'
_ENCODING = re.compile(r"\A\s*<\?xml[^>]*?encoding\s*=\s*[\"']([^\"']+)[\"']")
_SCHEMA_LOCATION = "{http://www.w3.org/2001/XMLSchema-instance}schemaLocation"
_INTEGER = re.compile(r"[+-]?(0|[1-9][0-9]{0,30})")
_DECIMAL = re.compile(r"-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][+-]?[0-9]{1,6})?")


class FhirXmlError(AdapterError, ValueError):
    """XML that is not FHIR R4, or a resource that XML cannot hold.

    ``line`` is the line in the XML where it is known, ``where`` the place in the resource, written like a
    FHIRPath (``Bundle.entry[3].resource.status``).
    """

    def __init__(self, message: str, *, line: int | None = None, where: str = "") -> None:
        super().__init__(message)
        self.line = line
        self.where = where


# --- writing ---------------------------------------------------------------------------------------------


def to_xml(resource: Mapping[str, Any], pretty: bool = False) -> bytes:
    """Write a resource as UTF-8 XML, elements in the standard's order; ``pretty`` indents by two spaces.

    Raises FhirXmlError for a resource type, element or value that R4 does not know at that place, and for
    characters that XML 1.0 cannot hold. It does not validate beyond that.
    """
    try:
        root = _write_resource(resource, str(resource.get("resourceType", "")))
    except RecursionError:
        raise FhirXmlError("nested too deeply to be a FHIR resource") from None
    if pretty:
        _indent(root, "\n")
    return _DECLARATION + etree.tostring(root, encoding="UTF-8", xml_declaration=False) + b"\n" * pretty


def _write_resource(resource: Any, where: str) -> etree._Element:
    if not isinstance(resource, Mapping):
        raise FhirXmlError("a resource must be an object", where=where)
    name = resource.get("resourceType")
    if not isinstance(name, str) or name not in resource_types():
        raise FhirXmlError(f"resource type {name!r} is not one this tool can write as XML", where=where)
    element = etree.Element(f"{{{FHIR}}}{name}", nsmap=_NAMESPACES)
    content = {key: value for key, value in resource.items() if key != "resourceType"}
    _write_content(element, definition(name), content, where)
    return element


def _write_content(parent: etree._Element, type_: TypeDefinition, content: Mapping[str, Any], where: str) -> None:
    """Write the properties of one object as attributes and children, in the standard's order."""
    for item in _in_order(type_, tuple(content), where):
        name = item.name
        place = f"{where}.{name}"
        if not item.is_array:
            _write_one(parent, item, content.get(name), content.get(f"_{name}"), place)
            continue
        values, siblings = content.get(name, ()), content.get(f"_{name}", ())
        if not isinstance(values, list | tuple) or not isinstance(siblings, list | tuple):
            raise FhirXmlError("must be an array", where=place)
        for index, (value, sibling) in enumerate(zip_longest(values, siblings)):
            _write_one(parent, item, value, sibling, f"{place}[{index}]")


def _in_order(type_: TypeDefinition, keys: tuple[str, ...], where: str) -> tuple[Property, ...]:
    """The properties behind the keys of one object, in the standard's order."""
    try:
        return _ordered(type_.name, keys)
    except KeyError as error:
        raise FhirXmlError(f"{type_.name} has no element {error.args[0]!r}", where=where) from None


@lru_cache(maxsize=4096)  # objects of one type have the same few sets of keys
def _ordered(type_name: str, keys: tuple[str, ...]) -> tuple[Property, ...]:
    properties = definition(type_name).properties
    found = {}
    for key in keys:
        name = key.removeprefix("_")
        known = properties.get(name)
        if known is None or (key != name and not known.has_sibling):
            raise KeyError(key)
        found[name] = known
    return tuple(sorted(found.values(), key=lambda item: item.order))


def _write_one(parent: etree._Element, item: Property, value: Any, sibling: Any, where: str) -> None:
    if value is None and sibling is None:
        raise FhirXmlError("null stands for nothing here", where=where)
    if item.type == "xhtml":
        parent.append(parse_div(value, where))
    elif item.element.representation:
        _set(parent, item.name, _text(value, item.type, where), where)
    elif item.is_primitive:
        element = etree.SubElement(parent, f"{{{FHIR}}}{item.name}")
        if sibling is not None:
            if not isinstance(sibling, Mapping):
                raise FhirXmlError(f"_{item.name} must be an object", where=where)
            _write_content(element, definition("Element"), sibling, where)
        if value is not None:
            _set(element, "value", _text(value, item.type, where), where)
    elif item.type == "Resource":
        holder = etree.SubElement(parent, f"{{{FHIR}}}{item.name}")
        holder.append(_write_resource(value, where))
    else:
        if not isinstance(value, Mapping):
            raise FhirXmlError(f"must be an object ({item.type})", where=where)
        element = etree.SubElement(parent, f"{{{FHIR}}}{item.name}")
        _write_content(element, definition(item.type), value, where)


def _text(value: Any, type_name: str, where: str) -> str:
    """The XML text of a primitive; the JSON type must be the one the standard gives."""
    kind = primitive(type_name).json
    if kind == "string" and isinstance(value, str):
        return value
    if kind == "boolean" and isinstance(value, bool):
        return "true" if value else "false"
    if kind == "number" and isinstance(value, int) and not isinstance(value, bool):
        return str(value)
    if type_name == "decimal" and isinstance(value, Decimal):
        try:
            return decimal_text(value)
        except FhirJsonError as error:
            raise FhirXmlError(str(error), where=where) from None
    raise FhirXmlError(f"a JSON {kind} of type {type_name} must stand here", where=where)


def _set(element: etree._Element, name: str, text: str, where: str) -> None:
    try:
        element.set(name, text)
    except (ValueError, UnicodeEncodeError):
        raise FhirXmlError("text holds a character that XML 1.0 cannot hold", where=where) from None


def parse_div(value: Any, where: str = "") -> etree._Element:
    """The XHTML of a narrative as an element, from its JSON string; raises FhirXmlError."""
    if not isinstance(value, str):
        raise FhirXmlError("the narrative's div must be a string of XHTML", where=where)
    try:
        div = _parse(value)
    except FhirXmlError as error:
        raise FhirXmlError(f"the narrative is not well-formed XHTML: {error}", where=where) from None
    if div.tag != f"{{{XHTML}}}div":
        raise FhirXmlError(f'the narrative must be one <div xmlns="{XHTML}">', where=where)
    return div


def _indent(element: etree._Element, margin: str) -> None:
    """Indent FHIR elements by their white space outside any XHTML, where white space is content."""
    children = [] if element.tag == f"{{{XHTML}}}div" else list(element)
    for child in children:
        _indent(child, margin + "  ")
        child.tail = margin + "  "
    if children:
        element.text = margin + "  "
        children[-1].tail = margin


# --- reading ---------------------------------------------------------------------------------------------


def from_xml(data: bytes | str) -> dict[str, Any]:
    """Read one resource; the result has the JSON shape, keys in the standard's order, decimals as Decimal.

    Raises FhirXmlError, with line and place, for XML that is not well-formed or not UTF-8, has a document
    type, or has an element, attribute, text, order or repetition that R4 does not allow at that place, and
    for values that are not of their JSON type (boolean, integer, decimal). Other values are read as they
    are: validating them is another stage.
    """
    root = _parse(data)
    root.attrib.pop(_SCHEMA_LOCATION, "")
    return _read_resource(root, etree.QName(root).localname)


def _parse(data: bytes | str) -> etree._Element:
    try:
        text = data if isinstance(data, str) else data.decode("utf-8-sig")
        declared = _ENCODING.match(text)
        if declared and declared[1].lower() not in ("utf-8", "utf8", "us-ascii", "ascii"):
            raise FhirXmlError(f"encoding {declared[1]}; FHIR XML must be UTF-8", line=1)
        encoded = text.removeprefix("\ufeff").lstrip().encode()
    except UnicodeError:
        raise FhirXmlError("not UTF-8, which FHIR XML must be") from None
    if b"<!DOCTYPE" in encoded:
        raise FhirXmlError("has a document type declaration, which FHIR does not allow")
    parser = etree.XMLParser(
        encoding="utf-8", resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False
    )
    try:
        return etree.fromstring(encoded, parser)
    except etree.XMLSyntaxError as error:
        raise FhirXmlError(f"not well-formed XML: {error.msg}", line=error.lineno) from None


def _fail(element: etree._Element, where: str, message: str) -> FhirXmlError:
    line = element.sourceline
    return FhirXmlError(message, line=line if isinstance(line, int) else None, where=where)


def _read_resource(element: etree._Element, where: str) -> dict[str, Any]:
    name = etree.QName(element).localname
    if element.tag != f"{{{FHIR}}}{name}":
        raise _fail(element, where, f"<{name}> is not in the namespace {FHIR}")
    if name not in resource_types():
        raise _fail(element, where, f"<{name}> is not a resource type that this tool reads from XML")
    return {"resourceType": name, **_read_content(element, definition(name), where)}


def _read_content(element: etree._Element, type_: TypeDefinition, where: str) -> dict[str, Any]:
    content = _read_attributes(element, type_, where)
    tags = _tags(type_.name)
    counts: dict[str, int] = {}
    last: Property | None = None
    for child in _children(element, where):
        item = tags.get(child.tag) or _property(child, type_, where)
        name = item.name
        if last is not None and item.order < last.order:
            raise _fail(child, f"{where}.{name}", f"<{name}> stands after <{last.name}>; FHIR XML has it before")
        last = item
        counts[name] = index = counts.get(name, -1) + 1
        if index and not item.is_array:
            raise _fail(child, f"{where}.{name}", f"<{name}> may stand only once")
        place = f"{where}.{name}[{index}]" if item.is_array else f"{where}.{name}"
        value, sibling = _read_one(child, item, place)
        if item.is_array:
            _append(content, name, index, value, sibling)
            continue
        if value is not None:
            content[name] = value
        if sibling is not None:
            content[f"_{name}"] = sibling
    if "url" in element.attrib:  # the one attribute that does not come first in the standard's order
        rank = {name: item.order for name, item in type_.properties.items()}
        content = dict(sorted(content.items(), key=lambda pair: rank[pair[0].removeprefix("_")]))
    return content


def _append(content: dict[str, Any], name: str, index: int, value: Any, sibling: Any) -> None:
    """Add an entry to an array and to the array beside it, keeping the two of equal length with nulls."""
    for key, entry in ((name, value), (f"_{name}", sibling)):
        if key in content or entry is not None:
            entries = content.setdefault(key, [None] * index)
            entries.append(entry)
    if name in content and (siblings := content.pop(f"_{name}", None)) is not None:
        content[f"_{name}"] = siblings  # after the values, though the first entry may have had none


def _read_attributes(element: etree._Element, type_: TypeDefinition, where: str) -> dict[str, Any]:
    content: dict[str, Any] = {}
    for raw, text in element.attrib.items():
        name = str(raw)
        item = type_.properties.get(name)
        if item is None or not item.element.representation:
            raise _fail(element, where, f"{type_.name} has no attribute {name!r}")
        content[name] = str(text)
    return content


def _children(element: etree._Element, where: str) -> list[etree._Element]:
    """The child elements; comments and processing instructions pass, text does not."""
    children, text = [], element.text
    for child in element:
        if text and not text.isspace():
            break
        if isinstance(child.tag, str):
            children.append(child)
        text = child.tail
    if text and not text.isspace():
        raise _fail(element, where, "text between the elements; FHIR values stand in value attributes")
    return children


@cache
def _tags(type_name: str) -> dict[str, Property]:
    """The elements of a type by their names in XML, with the namespace."""
    items = definition(type_name).properties.values()
    written = [item for item in items if not item.element.representation]
    return {f"{{{XHTML if item.type == 'xhtml' else FHIR}}}{item.name}": item for item in written}


def _property(child: etree._Element, type_: TypeDefinition, where: str) -> Property:
    """The element of a type that stands here, or what is wrong with it."""
    name = etree.QName(child)
    item = type_.properties.get(name.localname)
    if item is None or item.element.representation:
        raise _fail(child, f"{where}.{name.localname}", f"{type_.name} has no element <{name.localname}>")
    wanted = XHTML if item.type == "xhtml" else FHIR
    if name.namespace != wanted:
        message = f"<{name.localname}> is not in the namespace {wanted}"
        raise _fail(child, f"{where}.{name.localname}", message)
    return item


def _read_one(element: etree._Element, item: Property, where: str) -> tuple[Any, Any]:
    """The value of an element and, for a primitive, the object of its id and extensions."""
    if item.type == "xhtml":
        return _div_text(element), None
    if item.type == "Resource":
        children = _children(element, where)
        if len(children) != 1 or element.attrib:
            raise _fail(element, where, "must hold exactly one resource")
        return _read_resource(children[0], where), None
    if not item.is_primitive:
        return _read_content(element, definition(item.type), where), None
    text = element.get("value")
    if text is not None and not len(element) and not element.text and len(element.attrib) == 1:
        return _value(text, item.type, element, where), None  # by far the most
    if text is not None:
        del element.attrib["value"]
    sibling = _read_content(element, definition("Element"), where) or None
    if text is None:
        if sibling is None:
            raise _fail(element, where, "has neither a value nor an extension")
        return None, sibling
    if sibling is not None and not item.has_sibling:
        raise _fail(element, where, "may hold nothing but its value")
    return _value(text, item.type, element, where), sibling


def _value(text: str, type_name: str, element: etree._Element, where: str) -> Any:
    if primitive(type_name).json == "string":
        return text
    read = _READERS["decimal" if type_name == "decimal" else primitive(type_name).json]
    value = read(text)
    if value is None:
        raise _fail(element, where, f"the value is not of type {type_name}")
    return value


def _read_decimal(text: str) -> Decimal | None:
    if not _DECIMAL.fullmatch(text):
        return None
    value = Decimal(text)
    try:
        decimal_text(value)
    except FhirJsonError:
        return None
    return value


_READERS: dict[str, Callable[[str], Any]] = {
    "boolean": {"true": True, "false": False}.get,
    "number": lambda text: int(text) if _INTEGER.fullmatch(text) else None,
    "decimal": _read_decimal,
}


def _div_text(div: etree._Element) -> str:
    """The XHTML of a narrative as the string that JSON holds, without the namespaces around it."""
    alone = deepcopy(div)
    alone.tail = None
    etree.cleanup_namespaces(alone)
    return etree.tostring(alone, encoding="unicode")
