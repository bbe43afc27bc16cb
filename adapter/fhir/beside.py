"""Numbers that a guide wants inside another Observation: the oxygen given, as a component of a saturation.

A claim of a profile names them (``components`` in ``profiles.yaml``). The finding keeps its own Observation, from
which it is read back; the component says the same once more, for whoever reads the profile alone.
"""

from __future__ import annotations

from adapter.catalogue.code import Code
from adapter.catalogue.codings import codings
from adapter.derive.finding import FindingView
from adapter.fhir.json import Json
from adapter.fhir.observation import ExamMapping


def with_beside(resource: Json, one: FindingView, wanted: dict[str, Code], mapping: ExamMapping) -> Json:
    """The Observation of a number, with each number made at the same moment as a component; without those of which
    that moment has none or several."""
    if "valueQuantity" not in resource:
        return resource
    made = [
        component for item, code in wanted.items() if (component := _component(item, code, one, mapping)) is not None
    ]
    return {**resource, "component": [*resource.get("component", ()), *made]} if made else resource


def _component(item: str, code: Code, one: FindingView, mapping: ExamMapping) -> Json | None:
    numbers = [
        sent
        for other in mapping.view.findings
        if other.item.id == item and other.made_at == one.made_at and (sent := other.sent) is not None
        if other.finding.quantity is not None and other.finding.quantity.comparator is None
    ]
    if len(numbers) != 1:
        return None
    (sent,) = numbers
    quantity = {"value": sent.number, **mapping.parts.unit(sent.unit, sent.unit)}
    return {"code": {"coding": [codings(mapping.catalogue).coding(code)]}, "valueQuantity": quantity}
