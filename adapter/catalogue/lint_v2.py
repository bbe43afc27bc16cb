"""Faults of the settings for HL7 v2.5.1 messages that their types cannot see."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from typing import Protocol

from adapter.catalogue.places import Step
from adapter.catalogue.v2 import Authority, Location, V2Settings
from adapter.problems import Problem

OID = re.compile(r"([01]\.([0-9]|[1-3][0-9])|2\.(0|[1-9]\d*))(\.(0|[1-9]\d*))*")
"""An object identifier (RFC 3061, ISO/IEC 9834-1); under 0 and 1 the second number is at most 39."""


class Fault(Protocol):
    """:meth:`adapter.catalogue.Catalogue.fault`."""

    def __call__(self, path: tuple[Step, ...], rule: str, what: str, remedy: str, *, says: str = "") -> Problem:
        """A problem at a path of the catalogue."""


def lint_v2(settings: V2Settings, known_systems: frozenset[str], fault: Fault) -> Iterator[Problem]:
    """Authorities that cannot be told apart, ids that are not of their type, locations that say nothing."""

    def said(rule: str, what: str, remedy: str, *within: Step, says: str = "") -> Problem:
        return fault(("v2", *within), rule, what, remedy, says=says)

    for name, count in Counter(one.system for one in settings.authorities).items():
        if count > 1:
            yield said("duplicate-id", f"authority for {name} stands twice", "each system once", "authorities")
    for (namespace, universal), count in Counter((o.namespace, o.id) for o in settings.authorities).items():
        if count > 1 and (namespace or universal):
            what = f"{count} identifier systems are written as {namespace or ''} {universal or ''}".rstrip()
            remedy = "one that tells them apart, or nobody can read them back"
            yield said("same-authority", what, remedy, "authorities")
    headers = ("sending_application", "sending_facility", "receiving_application", "receiving_facility")
    named: list[tuple[str, tuple[Step, ...], Authority]] = [(n, (n,), getattr(settings, n)) for n in headers]
    named += [(f"authority for {a.system}", ("authorities", n), a) for n, a in enumerate(settings.authorities)]
    named += [
        (f"message profile {p.name}", ("message_profiles", n, "authority"), p.authority)
        for n, p in enumerate(settings.message_profiles)
    ]
    named += [(_location(p), ("locations", n, "facility"), p.facility) for n, p in enumerate(settings.locations)]
    for name, at, one in named:
        if (one.id is None) != (one.id_type is None):
            yield said("missing-part", f"{name}: id and id_type belong together", "both, or neither", *at)
        elif one.id_type == "ISO" and not OID.fullmatch(one.id or ""):
            remedy = "such as 2.999.1, without urn:oid:"
            yield said("wrong-id", f"{name}: '{one.id}' is no OID", remedy, *at, "id")
    for number, one in enumerate(settings.authorities):
        if one.namespace is None and one.id is None:
            what = f"authority for {one.system} names nothing"
            yield said("missing-part", what, "namespace, or id", "authorities", number)
    if settings.sending_application == Authority():
        remedy = "the name by which the receiver knows us"
        yield said("missing-part", "sending_application is empty", remedy, "sending_application")
    for name in sorted(settings.systems.keys() - known_systems):
        what = f"systems: '{name}' is not in systems.yaml"
        yield said("unknown-system", what, "an id of systems.yaml", "systems", name)
    yield from _locations(settings, said)


class _Said(Protocol):
    def __call__(self, rule: str, what: str, remedy: str, *within: Step, says: str = "") -> Problem: ...


def _locations(settings: V2Settings, said: _Said) -> Iterator[Problem]:
    for name, count in Counter(_location(one) for one in settings.locations).items():
        if count > 1:
            yield said("duplicate-id", f"{name} stands twice", "each place once", "locations")
    for number, one in enumerate(settings.locations):
        if all(value in (None, Authority()) for key, value in one if key != "place"):
            what = f"{_location(one)} says nothing"
            yield said(
                "missing-part", what, "point_of_care, room, bed, facility, building or floor", "locations", number
            )


def _location(one: Location) -> str:
    return f"location of '{one.place}'" if one.place else "location of every other place"
