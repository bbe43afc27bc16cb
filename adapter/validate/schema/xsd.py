"""An XSD (XML Schema 1.0) of R4 resources, from the element table: elements in the standard's order.

FHIR R4, XML Representation (xml.html). XHTML is let pass whole; the narrative has rules of its own.
"""

from __future__ import annotations

from adapter.fhir.definitions import (
    ElementDefinition,
    choice_name,
    definition,
    primitive,
    primitive_names,
    resource_types,
    type_names,
    value_set,
)
from adapter.fhir.xml import FHIR, XHTML

_BOUNDS = {"boolean": "xs:boolean", "integer": "xs:int"}
_BOUNDS |= {"unsignedInt": "xs:unsignedInt", "positiveInt": "xs:positiveInteger"}


def xsd() -> str:
    """The schema of all resource types."""
    parts = [
        f'<xs:schema xmlns:xs="http://www.w3.org/2001/XMLSchema" xmlns="{FHIR}" targetNamespace="{FHIR}" '
        'elementFormDefault="qualified">'
    ]
    parts += [_primitive(name) for name in sorted(primitive_names() - {"xhtml"})]
    bound: dict[str, str] = {}
    for name in type_names():
        parts.append(_complex(name, bound))
    parts += [_coded(name, url) for url, name in sorted(bound.items())]
    resources = sorted(resource_types())
    parts.append('<xs:complexType name="Resource"><xs:choice>')
    parts += [f'<xs:element ref="{name}"/>' for name in resources]
    parts.append("</xs:choice></xs:complexType>")
    parts += [f'<xs:element name="{name}" type="{name}"/>' for name in resources]
    return "\n".join([*parts, "</xs:schema>"])


_CONTENT = (
    '<xs:sequence><xs:element name="extension" type="Extension" minOccurs="0" maxOccurs="unbounded"/></xs:sequence>'
)


def _primitive(name: str) -> str:
    """The value's form as a simple type, and the element that has it as attribute."""
    base, facet = _BOUNDS.get(name, "xs:string"), ""
    if name not in _BOUNDS:
        facet = '<xs:minLength value="1"/>'
        regex = primitive(name).regex
        if regex and name not in ("base64Binary", "string", "markdown"):
            facet = f'<xs:pattern value="{_escaped(regex)}"/>'
    simple = (
        f'<xs:simpleType name="{name}-value"><xs:restriction base="{base}">{facet}</xs:restriction></xs:simpleType>'
    )
    return f"{simple}\n{_element(name, f'{name}-value')}"


def _element(name: str, simple: str) -> str:
    return (
        f'<xs:complexType name="{name}">{_CONTENT}<xs:attribute name="value" type="{simple}"/>'
        '<xs:attribute name="id" type="xs:string"/></xs:complexType>'
    )


def _coded(name: str, url: str) -> str:
    """A code of a required value set."""
    codes = value_set(url)
    assert codes is not None
    listed = "".join(f'<xs:enumeration value="{_escaped(code)}"/>' for code in sorted(codes.codes))
    values = f'<xs:restriction base="xs:string">{listed}</xs:restriction>'
    simple = f'<xs:simpleType name="{name}-value">{values}</xs:simpleType>'
    return f"{simple}\n{_element(name, f'{name}-value')}"


def _complex(name: str, bound: dict[str, str]) -> str:
    type_ = definition(name)
    children, attributes = [], []
    for element in type_.elements:
        if element.representation:
            use = "required" if element.min else "optional"
            attributes.append(f'<xs:attribute name="{element.name}" type="xs:string" use="{use}"/>')
        else:
            children.append(_child(element, bound))
    inside = f"<xs:sequence>{''.join(children)}</xs:sequence>" if children else ""
    return f'<xs:complexType name="{name}">{inside}{"".join(attributes)}</xs:complexType>'


def _child(element: ElementDefinition, bound: dict[str, str]) -> str:
    most = "unbounded" if element.max is None else str(element.max)
    occurs = f'minOccurs="{element.min}" maxOccurs="{most}"'
    if element.types == ("xhtml",):
        return f'<xs:any namespace="{XHTML}" processContents="skip" {occurs}/>'
    if not element.is_choice:
        return f'<xs:element name="{element.name}" type="{_used(element.types[0], element, bound)}" {occurs}/>'
    choices = "".join(
        f'<xs:element name="{choice_name(element.name, used)}" type="{_used(used, element, bound)}"/>'
        for used in element.types
    )
    return f"<xs:choice {occurs}>{choices}</xs:choice>"


def _used(type_name: str, element: ElementDefinition, bound: dict[str, str]) -> str:
    if type_name in primitive_names() and value_set(element.binding) is not None:
        return bound.setdefault(element.binding, f"code-{len(bound)}")
    return type_name


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")
