"""Layer invariants: the rules that R4 states as FHIRPath constraints.

Keys, places and meaning are those of the constraints in the R4 4.0.1 definitions of the types; each is
named with its key, so ``obs-6`` here is ``obs-6`` there. Those that every bundle meets are written out by hand,
here and in ``bundle_invariants``; all others are evaluated from their expression (``table_constraints``).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from datetime import datetime
from decimal import Decimal
from typing import Any

from adapter.fhir.definitions import resource_types
from adapter.problems import Layer, Problem
from adapter.validate.bundle_invariants import BUNDLE_INVARIANTS
from adapter.validate.constraint import Asked, Broken, Invariant, implies_one_of, not_both, one_of, unless
from adapter.validate.narrative import has_content, is_allowed_html, shown
from adapter.validate.table_constraints import check_table_constraints, has_table_constraints
from adapter.validate.walk import ElementNode, Shape, has, objects, text

_QUANTITIES = ("Quantity", "Age", "Count", "Distance", "Duration")
_DOMAIN_RESOURCES = tuple(sorted(resource_types() - {"Binary", "Bundle", "Parameters"}))


def check_invariants(nodes: Iterable[ElementNode]) -> Iterator[Problem]:
    """Yield a problem for each broken constraint, Bundle's included."""
    for node in nodes:
        asked = node.shape.invariants
        if asked is None:
            asked = node.shape.invariants = _asked(node.shape)
        for invariant in asked:
            for place in invariant.asked.broken(node):
                yield Problem(
                    invariant.severity,
                    Layer.INVARIANTS,
                    invariant.key,
                    invariant.what,
                    invariant.remedy,
                    where=node.where + place,
                    section=f"FHIR R4 {invariant.types[0] if len(invariant.types) < 9 else 'DomainResource'}"
                    f", {invariant.key}",
                )
        if has_table_constraints(node.type, _BY_HAND):
            yield from check_table_constraints(node, _BY_HAND)


def _asked(shape: Shape) -> tuple[Invariant, ...]:
    """Those by hand that an object of this type may break by the names in it."""
    return tuple(one for one in _BY_TYPE.get(shape.type, ()) if one.may_be_broken(shape.names))


def _codings(concept: Any) -> list[Mapping[str, Any]]:
    return objects(concept, "coding") if isinstance(concept, dict) else []


def _obs_7(node: ElementNode) -> Iterator[str]:
    components = node.objects("component")
    if not components or not has(node.value, "value[x]"):
        return
    own = _codings(node.value.get("code"))
    for index, component in enumerate(components):
        same = [one for one in _codings(component.get("code")) if one in own]
        if same and _comparable(own) & _comparable(same):
            yield f".component[{index}].code"


def _comparable(codings: Iterable[Mapping[str, Any]]) -> set[tuple[Any, ...]]:
    """Codings in a form in which those are equal that FHIRPath's intersect takes for equal: 1 is not true."""
    return {tuple(sorted((name, repr(value)) for name, value in one.items())) for one in codings}


def _is_simple(node: ElementNode) -> bool:
    profiles = node.element.profiles if node.element else ()
    return "SimpleQuantity" not in profiles or not has(node.value, "comparator")


def _in_order(node: ElementNode) -> bool:
    """per-1; times of different precision are compared by their common part only."""
    start, end = text(node.value, "start"), text(node.value, "end")
    if not start or not end:
        return True
    try:
        if "T" in start and "T" in end:
            return datetime.fromisoformat(start) <= datetime.fromisoformat(end)
    except (ValueError, TypeError):
        return True  # malformed: the structure layer's business
    common = min(len(start.partition("T")[0]), len(end.partition("T")[0]))
    return start[:common] <= end[:common]


def _rises(node: ElementNode) -> bool:
    """rng-2; quantities of different units are not compared."""
    low, high = (next(iter(node.objects(name)), {}) for name in ("low", "high"))
    if any(low.get(key) != high.get(key) for key in ("system", "code", "unit")):
        return True
    first, second = low.get("value"), high.get("value")
    if not isinstance(first, int | Decimal | float) or not isinstance(second, int | Decimal | float):
        return True
    return first <= second


def _ref_1(node: ElementNode) -> Broken:
    reference = text(node.value, "reference")
    if not reference.startswith("#") or (reference == "#" and node.own.is_contained):
        return ()
    there = {c.get("id") for c in objects(node.container.value, "contained")}
    return () if reference[1:] in there else (".reference",)


def _each_contained(broken: Callable[[Any], bool]) -> Asked:
    """A rule about contained resources, reported at each that breaks it."""

    def each(node: ElementNode) -> Broken:
        return [f".contained[{index}]" for index, one in enumerate(node.objects("contained")) if broken(one)]

    return Asked(each, ("contained",))


def _meta(contained: Any, *names: str) -> bool:
    return any(has(meta, name) for meta in objects(contained, "meta") for name in names)


def _dom_3(node: ElementNode) -> Iterator[str]:
    contained = node.objects("contained")
    if node.is_contained or not contained:
        return
    referred = {value for value in _strings(node.value) if value.startswith("#")}
    for div in _divs(node.value):  # narrative.html: an image may be one that is contained
        referred |= shown(div)
    for index, one in enumerate(contained):
        if f"#{one.get('id')}" not in referred and "#" not in set(_strings(one)):
            yield f".contained[{index}]"


def _strings(value: Any) -> Iterator[str]:
    """All strings of a resource; references, canonicals and URIs to contained resources are among them."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for name, entry in value.items():
            if name != "reference" or isinstance(entry, str) or _is_of_references(entry):
                yield from _strings(entry)
    elif isinstance(value, list):
        for entry in value:
            yield from _strings(entry)


def _divs(value: Any) -> Iterator[Any]:
    """The narratives of a resource: its own and those within it, such as a Composition's sections."""
    if isinstance(value, dict):
        for name, entry in value.items():
            yield from (entry,) if name == "div" else _divs(entry)
    elif isinstance(value, list):
        for entry in value:
            yield from _divs(entry)


def _is_of_references(value: Any) -> bool:
    """Whether an element called reference is a Reference, or several, and no text in a wrong form."""
    values = value if isinstance(value, list) else [value]
    return all(isinstance(one, dict) and one.keys() & {"reference", "identifier", "display"} for one in values)


_INVARIANTS = (
    Invariant(
        "obs-3", ("Observation.referenceRange",), one_of("low", "high", "text"),
        "a reference range needs low, high or text", "at least one of low, high and text",
    ),
    Invariant(
        "obs-6", ("Observation",), not_both("value[x]", "dataAbsentReason"),
        "value and dataAbsentReason exclude each other", "a value, or the reason why there is none",
    ),
    Invariant(
        "obs-7", ("Observation",), Asked(_obs_7, ("component", "value[x]")),
        "a component has the code of the Observation, which has a value itself",
        "the value in the component only, or another code",
    ),
    Invariant(
        "ext-1", ("Extension",),
        unless(lambda n: has(n.value, "extension") != has(n.value, "value[x]")),
        "an extension has either a value or extensions, not both and not neither", "exactly one of the two",
    ),
    Invariant(
        "qty-3", _QUANTITIES, implies_one_of("code", "system"),
        "a coded unit needs its code system", "system http://unitsofmeasure.org for UCUM",
    ),
    Invariant(
        "sqty-1", ("Quantity",), unless(_is_simple, "comparator"),
        "a comparator may not stand here", "the value without comparator",
    ),
    Invariant("per-1", ("Period",), unless(_in_order, "start", "end"), "the end is before the start", "start ≤ end"),
    Invariant("rng-2", ("Range",), unless(_rises, "low", "high"), "high is below low", "low ≤ high"),
    Invariant(
        "att-1", ("Attachment",), implies_one_of("data", "contentType"),
        "data without contentType", "the MIME type of the data in contentType",
    ),
    Invariant(
        "cpt-2", ("ContactPoint",), implies_one_of("value", "system"),
        "a contact value without system", "system phone, email, …",
    ),
    Invariant(
        "ref-1", ("Reference",), Asked(_ref_1, ("reference",)),
        "no contained resource has this id", "the id of a resource in contained, after #",
    ),
    Invariant(
        "pat-1", ("Patient.contact",), one_of("name", "telecom", "address", "organization"),
        "a contact without any details", "name, telecom, address or organization",
    ),
    Invariant(
        "cmp-1", ("Composition.section",), one_of("text", "entry", "section"),
        "a section without content", "text, entry or section",
    ),
    Invariant(
        "cmp-2", ("Composition.section",), not_both("emptyReason", "entry"),
        "emptyReason although there are entries", "emptyReason only where there is no entry",
    ),
    Invariant(
        "qrs-1", ("QuestionnaireResponse.item",), not_both("answer", "item"),
        "items beneath both the item and its answer", "nested items beneath the answer",
    ),
    Invariant(
        "txt-1", ("Narrative",), Asked(lambda n: () if is_allowed_html(n.value.get("div")) else (".div",)),
        "the narrative is not well-formed XHTML of the elements and attributes that R4 allows",
        "basic formatting of HTML 4, no script, form, object, event or external style",
    ),
    Invariant(
        "txt-2", ("Narrative",), Asked(lambda n: () if has_content(n.value.get("div")) else (".div",)),
        "the narrative has no content", "text or an image",
    ),
    Invariant(
        "dom-2", _DOMAIN_RESOURCES, _each_contained(lambda one: has(one, "contained")),
        "a contained resource contains another", "all contained resources side by side",
    ),
    Invariant(
        "dom-3", _DOMAIN_RESOURCES, Asked(_dom_3, ("contained",)),
        "a contained resource that nothing refers to", "a reference #id to it, or leave it out",
    ),
    Invariant(
        "dom-4", _DOMAIN_RESOURCES, _each_contained(lambda one: _meta(one, "versionId", "lastUpdated")),
        "a contained resource has a version", "no meta.versionId and no meta.lastUpdated in it",
    ),
    Invariant(
        "dom-5", _DOMAIN_RESOURCES, _each_contained(lambda one: _meta(one, "security")),
        "a contained resource has a security label", "the label on the resource that contains it",
    ),
)  # fmt: skip


def _by_type() -> dict[str, list[Invariant]]:
    table: dict[str, list[Invariant]] = {}
    for invariant in (*_INVARIANTS, *BUNDLE_INVARIANTS):
        for type_name in invariant.types:
            table.setdefault(type_name, []).append(invariant)
    return table


_BY_TYPE = _by_type()
_BY_HAND = frozenset(invariant.key for group in _BY_TYPE.values() for invariant in group)
