"""What was captured in two resources of one name: the same, or not.

A server may keep a resource in its own words: it adds what is its own, reorders codings, drops trailing zeros, writes
a moment in UTC. The catalogue may say other things of a finding today than when it was sent: published codes,
judgements, ranges. None of that is content. Content is what somebody recorded: the answer, number or reason, the
time, the place, method and state that were chosen, the examiner's own note; of a telling when, of which line and in
which words.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC
from decimal import Decimal
from typing import Any, TypeVar

from adapter import SOFTWARE
from adapter.derive.versions import instant_of
from adapter.fhir.communication import TELLING
from adapter.fhir.json import Json
from adapter.fhir.observation import CAPTURED
from adapter.fhir.parts import DETAIL
from adapter.send.rest import answers

T = TypeVar("T")

_SAID_ELSEWHERE = ("side", "not-done-reason")
"""Details that repeat what the name of an Observation, its place or its reason says."""


class Captured:
    """Compares resources of the site whose own systems and extensions hang under ``canonical``."""

    def __init__(self, canonical: str) -> None:
        self._systems = f"{canonical}/CodeSystem/"
        self._quantity, self._detail, self._telling = (f"{canonical}/{name}" for name in (CAPTURED, DETAIL, TELLING))

    def alike(self, one: Json, other: Json) -> bool:
        """Whether both Observations, or both Communications, say that the same was recorded."""
        if one.get("resourceType") == "Communication":
            return self._told(one) == self._told(other)
        return (
            _moment(one.get("effectiveDateTime")) == _moment(other.get("effectiveDateTime"))
            and _notes(one) == _notes(other)
            and self._same_value(one, other)
            and self._same_where_chosen(one.get("bodySite"), other.get("bodySite"))
            and self._same_where_chosen(one.get("method"), other.get("method"))
            and self._same_details(one, other)
        )

    def kind(self, report: Json) -> object:
        """Which kind of exam a report is of, and when it was done."""
        period = answers.object_(report.get("effectivePeriod"))
        times = report.get("effectiveDateTime"), period.get("start"), period.get("end")
        return self._concept(report.get("code")), *map(_moment, times)

    def _told(self, telling: Json) -> object:
        found = (e for e in answers.objects(telling.get("extension")) if e.get("url") == self._telling)
        parts = {
            part.get("url"): part.get("valueString", part.get("valueBoolean"))
            for extension in found
            for part in answers.objects(extension.get("extension"))
        }
        words = [_words(one.get("contentString")) for one in answers.objects(telling.get("payload"))]
        return _moment(telling.get("sent")), parts.get("line"), parts.get("read-back"), words

    def _same_value(self, one: Json, other: Json) -> bool:
        """``value[x]`` or why there is none, of an Observation, a component or a detail."""
        if self._concept(one.get("dataAbsentReason")) != self._concept(other.get("dataAbsentReason")):
            return False
        kinds = [{key for key in part if key.startswith("value")} for part in (one, other)]
        if kinds[0] != kinds[1]:
            return False
        return all(self._same(key, one[key], other[key]) for key in kinds[0])

    def _same(self, kind: str, one: Any, other: Any) -> bool:
        if kind == "valueQuantity":
            return self._same_quantity(answers.object_(one), answers.object_(other))
        if kind == "valueCodeableConcept":
            return self._concept(one) == self._concept(other)
        if kind == "valueDateTime":
            return _moment(one) == _moment(other)
        return bool(_words(one) == _words(other))

    def _same_quantity(self, one: Json, other: Json) -> bool:
        """By what was captured where both say that, else by the number in the unit of the item."""
        captured = [
            [
                _number(e.get("valueQuantity"))
                for e in answers.objects(q.get("extension"))
                if e.get("url") == self._quantity
            ]
            for q in (one, other)
        ]
        if all(captured):
            return captured[0] == captured[1] and one.get("comparator") == other.get("comparator")
        return _number(one) == _number(other)

    def _same_where_chosen(self, one: Any, other: Any) -> bool:
        """What nobody chose is the catalogue's."""
        return self._concept(one) == self._concept(other) or not (_chosen(one) or _chosen(other))

    def _same_details(self, one: Json, other: Json) -> bool:
        return left_over(list(self._details(one)), list(self._details(other)), self._same_detail) == ([], [])

    def _same_detail(self, one: Json, other: Json) -> bool:
        return self._concept(one.get("code")) == self._concept(other.get("code")) and self._same_value(one, other)

    def _details(self, resource: Json) -> Iterator[Json]:
        """Components, and what stands in extensions in their place; of those that repeat something, none."""
        repeated = [{(f"{self._systems}exam-detail", code)} for code in _SAID_ELSEWHERE]
        found = answers.objects(resource.get("component"))
        for extension in answers.objects(resource.get("extension")):
            if extension.get("url") == self._detail:
                parts = {part.get("url"): part for part in answers.objects(extension.get("extension"))}
                found.append({**parts.get("value", {}), "code": parts.get("code", {}).get("valueCodeableConcept")})
        yield from (detail for detail in found if self._concept(detail.get("code")) not in repeated)

    def _concept(self, concept: Any) -> object:
        """A concept by our own codes; where it has none by all its codes, or in words."""
        codings = answers.objects(answers.object_(concept).get("coding"))
        codes = {(answers.text(one, "system"), answers.text(one, "code")) for one in codings}
        own = {code for code in codes if code[0].startswith(self._systems)}
        return own or codes or _words(answers.object_(concept).get("text"))


def left_over(ours: Sequence[T], theirs: Sequence[T], alike: Callable[[T, T], bool]) -> tuple[list[T], list[T]]:
    """What has no counterpart, whatever the order."""
    rest, without = list(theirs), []
    for one in ours:
        found = next((number for number, other in enumerate(rest) if alike(one, other)), None)
        if found is None:
            without.append(one)
        else:
            del rest[found]
    return without, rest


def _chosen(concept: Any) -> bool:
    """Whether an examiner chose it: our coding says so (``userSelected``)."""
    return any(one.get("userSelected") is True for one in answers.objects(answers.object_(concept).get("coding")))


def _number(quantity: Any) -> object:
    found = answers.object_(quantity)
    value = found.get("value")
    number = Decimal(value).normalize() if isinstance(value, int | Decimal) else value
    return number, found.get("comparator"), found.get("code") or found.get("unit")


def _moment(text: Any) -> object:
    """An instant, whatever its offset and digits; what is none as it stands."""
    found = instant_of(text) if isinstance(text, str) else None
    return text if found is None else found.astimezone(UTC)


def _words(text: Any) -> Any:
    return " ".join(text.split()) if isinstance(text, str) else text


def _notes(resource: Json) -> list[Any]:
    """What the examiner noted."""
    notes = answers.objects(resource.get("note"))
    return [_words(note.get("text")) for note in notes if note.get("authorString") != SOFTWARE]
