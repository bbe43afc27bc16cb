"""What HL7 FHIR R4 (4.0.1) says about the elements of the resources and datatypes used here.

The facts are in data files made by :mod:`adapter.fhir.definitions.generate` from the official package
``hl7.fhir.r4.core`` 4.0.1 (content CC0): per type the elements in the standard's order, with cardinality,
types, reference targets and bindings; its constraints; per primitive its regular expression; per value set of
a required or extensible binding, and per code system of the package, its codes. Neither the package nor a
network is needed at run time. ``elements.json`` holds the types that the adapter emits and reads,
``elements_more.json`` all others of R4 and ``codes.json`` the code systems: they are read when first needed.

Backbone elements are types of their own, named by their path (``Observation.component``); an element that
the standard defines by content reference simply has the referred type (``Bundle.entry.link`` has the type
``Bundle.link``). Types are built on first use.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib import resources
from typing import Any

import orjson

FHIR_VERSION = "4.0.1"
DATA_FILE = "elements.json"
MORE_FILE = "elements_more.json"
CODES_FILE = "codes.json"


@dataclass(frozen=True, slots=True)
class ElementDefinition:
    """One element of a type.

    ``name`` is the standard's (``status``, ``value[x]``); ``max`` is None where it is unbounded (``*``);
    ``types`` are names that :func:`definition` or :func:`primitive` know, or ``Resource`` for any resource;
    ``targets`` are the resource types that a Reference may lead to (empty: any); ``binding`` is the
    canonical of the value set of a *required* binding, ``extensible`` of an extensible one; ``profiles`` are
    datatype profiles (SimpleQuantity);
    ``representation`` is ``xmlAttr`` where XML has an attribute and not an element; ``is_modifier``: it changes what
    the resource means.
    """

    name: str
    min: int
    max: int | None
    types: tuple[str, ...]
    targets: tuple[str, ...] = ()
    binding: str = ""
    extensible: str = ""
    profiles: tuple[str, ...] = ()
    representation: str = ""
    is_modifier: bool = False

    @property
    def is_choice(self) -> bool:
        """Whether the element is a choice of types (``value[x]``)."""
        return self.name.endswith("[x]")

    @property
    def is_array(self) -> bool:
        """Whether JSON writes the element as an array (max above 1)."""
        return self.max is None or self.max > 1


@dataclass(frozen=True, slots=True)
class Property:
    """One JSON property of a type: an element, or one type of a choice (``valueQuantity``)."""

    name: str
    type: str
    element: ElementDefinition
    is_array: bool
    is_primitive: bool
    #: whether JSON allows the ``_name`` sibling that holds id and extensions of a primitive
    has_sibling: bool
    #: place of the element among those of its type, from 0
    order: int


@dataclass(frozen=True, slots=True)
class TypeDefinition:
    """A resource, datatype or backbone element: its elements in the standard's order.

    ``kind`` is ``resource``, ``complex-type`` or ``backbone``; ``base`` the type it specialises.
    """

    name: str
    kind: str
    base: str
    elements: tuple[ElementDefinition, ...]
    #: JSON property name to property, in the standard's order, choices expanded
    properties: Mapping[str, Property] = field(repr=False, compare=False)

    def element(self, name: str) -> ElementDefinition | None:
        """The element behind a standard name or a JSON property (``value[x]``, ``valueQuantity``)."""
        found = self.properties.get(name)
        if found is not None:
            return found.element
        return next((element for element in self.elements if element.name == name), None)


@dataclass(frozen=True, slots=True)
class PrimitiveDefinition:
    """A primitive datatype: its JSON type (``string``, ``number`` or ``boolean``) and regular expression.

    White space in the expression is ASCII white space, as in XML Schema: a no-break space is a character.
    """

    name: str
    json: str
    regex: str
    pattern: re.Pattern[str] | None = field(repr=False, compare=False)


@dataclass(frozen=True, slots=True)
class ConstraintDefinition:
    """A rule of the standard: its key (``obs-6``), severity (``error`` or ``warning``) and FHIRPath expression."""

    key: str
    severity: str
    expression: str


@dataclass(frozen=True, slots=True)
class ValueSetDefinition:
    """The codes of a value set by code system; ``codes`` holds them without their system."""

    url: str
    systems: Mapping[str, frozenset[str]]
    codes: frozenset[str]


@cache
def _table(name: str = DATA_FILE) -> Mapping[str, Any]:
    table: Mapping[str, Any] = orjson.loads(resources.files(__name__).joinpath(name).read_bytes())
    return table


def _find(section: str, name: str) -> Any:
    """An entry of the table, or of the table of the rarer types; None where neither has it."""
    found = _table()[section].get(name)
    return found if found is not None else _table(MORE_FILE)[section].get(name)


@cache
def resource_types() -> frozenset[str]:
    """The names of all resource types of R4."""
    own = {name for name, entry in _table()["types"].items() if entry["kind"] == "resource"}
    return frozenset(own.union(_table()["otherResources"]["names"]))


@cache
def type_names() -> tuple[str, ...]:
    """All resources, complex datatypes and backbone elements of R4, in the order of the files."""
    return (*_table()["types"], *_table(MORE_FILE)["types"])


@cache
def primitive_names() -> frozenset[str]:
    """The names of the primitive datatypes."""
    return frozenset(_table()["primitives"])


@cache
def definition(type_name: str) -> TypeDefinition:
    """The definition of a resource, complex datatype or backbone element.

    Raises KeyError when the table does not hold the type.
    """
    entry = _find("types", type_name)
    if entry is None:
        raise KeyError(type_name)
    elements = tuple(_element(raw) for raw in entry["elements"])
    properties = {item.name: item for order, element in enumerate(elements) for item in _properties(element, order)}
    return TypeDefinition(type_name, entry["kind"], entry["base"], elements, properties)


@cache
def primitive(name: str) -> PrimitiveDefinition:
    """The definition of a primitive datatype. Raises KeyError for anything else."""
    entry = _table()["primitives"][name]
    regex = entry.get("regex", "")
    return PrimitiveDefinition(name, entry["json"], regex, re.compile(regex, re.ASCII) if regex else None)


@cache
def value_set(url: str) -> ValueSetDefinition | None:
    """The codes of the value set of a binding; None if the package does not enumerate them."""
    systems = _find("valueSets", url) if url else None
    if systems is None:
        return None
    frozen = {system: frozenset(codes) for system, codes in systems.items()}
    return ValueSetDefinition(url, frozen, frozenset().union(*frozen.values()))


@cache
def constraints(path: str) -> tuple[ConstraintDefinition, ...]:
    """The constraints that stand at a type (``Period``, ``DomainResource``) or at an element of one
    (``Organization.telecom``); those of the base and of an element's type stand there and not here."""
    found = _table()["constraints"].get(path)
    if found is None and path.partition(".")[0] not in _table()["types"]:
        found = _table(MORE_FILE)["constraints"].get(path)
    return tuple(ConstraintDefinition(*fact) for fact in found or ())


@cache
def code_system(url: str) -> frozenset[str] | None:
    """All codes of a code system that the package defines in full; None for any other."""
    codes = _table(CODES_FILE)["codeSystems"].get(url)
    return None if codes is None else frozenset(codes)


def choice_name(element_name: str, type_name: str) -> str:
    """The JSON name of one type of a choice: ``value[x]`` and ``dateTime`` give ``valueDateTime``.

    FHIR R4, Resource Formats (formats.html, choice of datatypes): the type's name with an initial capital.
    """
    return element_name.removesuffix("[x]") + type_name[0].upper() + type_name[1:]


def _element(raw: Mapping[str, Any]) -> ElementDefinition:
    maximum = raw.get("max", 1)
    return ElementDefinition(
        name=raw["name"],
        min=raw.get("min", 0),
        max=None if maximum == "*" else maximum,
        types=tuple(raw["types"]),
        targets=tuple(raw.get("targets", ())),
        binding=raw.get("binding", ""),
        extensible=raw.get("extensible", ""),
        profiles=tuple(raw.get("profiles", ())),
        representation=raw.get("representation", ""),
        is_modifier=raw.get("modifier", False),
    )


def _properties(element: ElementDefinition, order: int) -> list[Property]:
    """One property, or one per type of a choice."""
    made = []
    for type_name in element.types:
        is_primitive = type_name in primitive_names()
        made.append(
            Property(
                name=choice_name(element.name, type_name) if element.is_choice else element.name,
                type=type_name,
                element=element,
                is_array=element.is_array,
                is_primitive=is_primitive,
                # ids and Extension.url are plain strings and xhtml takes no extension
                has_sibling=is_primitive
                and not element.representation
                and element.name != "id"
                and type_name != "xhtml",
                order=order,
            )
        )
    return made
