"""Faults of what a site sets: settings that cannot go together, lists whose ids are fixed, codes of its own."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import date
from typing import Any
from zoneinfo import available_timezones

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.growth import MEASURED, gaps, sexes_missing
from adapter.catalogue.lint_codes import local_path_of, places
from adapter.catalogue.lint_v2 import OID
from adapter.catalogue.model import Meaning
from adapter.catalogue.tables import GrowthReference
from adapter.catalogue.vocabulary import ProfileClaim
from adapter.exam.model import Side, Urgency
from adapter.problems import Layer, Problem, Severity

_DETAILS = ("side", "state", "counted-seconds", "urgency", "not-done-reason")
_MADE = (
    *(
        "Communication",
        "CommunicationRequest",
        "Composition",
        "Device",
        "DiagnosticReport",
        "Encounter",
        "Observation",
    ),
    *("Organization", "Patient", "Practitioner", "Provenance", "RelatedPerson"),
)


def lint_site(catalogue: Catalogue) -> list[Problem]:
    """All faults of the settings, the fixed lists, the claimed profiles and the local codes."""
    return [
        *_settings(catalogue),
        *_fixed(catalogue),
        *(problem for claim in catalogue.profiles.values() for problem in _claim(claim, catalogue)),
        *_local_codes(catalogue),
        *_equivalences(catalogue),
        *_growth(catalogue),
    ]


def _settings(catalogue: Catalogue) -> Iterator[Problem]:
    settings = catalogue.settings

    def said(where: str, what: str, remedy: str) -> Problem:
        return catalogue.fault(("settings", *where.split(".", 2)), "setting", what, remedy, where=where)

    try:
        date.fromisoformat(settings.policy.date)
    except ValueError:
        yield said("policy.date", f"{settings.policy.date} is no date", "a day of the calendar, such as 2026-11-25")
    if settings.time_zone is not None and settings.time_zone not in available_timezones():
        what = f"'{settings.time_zone}' is not in the IANA time zone database of this machine"
        yield said("time_zone", what, "a name such as Europe/Berlin; on Windows, pip install tzdata as well")
    publication = settings.publication
    if publication.status == "active":
        for name in ("publisher", "contact", "jurisdiction"):
            if getattr(publication, name) is None:
                yield said(f"publication.{name}", f"an active package names its {name}", "it, or status: draft")
        if ".invalid/" in f"{settings.canonical}/":
            what = f"an active package cannot have the canonical {settings.canonical}, which is nobody's (RFC 2606)"
            yield said("publication.status", what, "canonical: the site's own web address, or status: draft")
    bands = settings.size_bands
    if not bands.severe <= bands.small < bands.large:
        what = f"severe {bands.severe}, small {bands.small}, large {bands.large} do not ascend"
        yield said("size_bands", what, "severe <= small < large, centiles")
    if settings.proof.sent and catalogue.proof is None:
        what = "the edition of a proof is to be sent, and there is none in the folder"
        yield said("proof.sent", what, "newborn-adapter terminology prove, or sent: false")
    for name, uri in settings.identifier_systems.items():
        if not is_uri(uri):
            yield said(f"identifier_systems.{name}", f"'{uri}' is no absolute URI", "https://.., or urn:oid:2.999.1")
    organisation = settings.organisation
    if organisation is not None and not is_uri(catalogue.resolve(organisation.identifier).system):
        what = f"'{organisation.identifier.system}' is neither a URI nor one of identifier_systems"
        yield said("organisation.identifier.system", what, "an absolute URI, or a name from identifier_systems")
    for words, place in settings.places.items():
        if not is_uri(catalogue.resolve(place.identifier).system):
            what = f"'{place.identifier.system}' is neither a URI nor one of identifier_systems"
            yield said(f"places.{words}", what, "an absolute URI, or a name from identifier_systems")
    if settings.places and not settings.emit.participants:
        yield said("places", "the Encounter names no place here", "emit: {participants: true}, or no places")
    emitted = {
        "encounter": ("ward_encounter", settings.emit.ward_encounter),
        "device": ("device", settings.emit.device),
    }
    for name, (part, made) in emitted.items():
        if not made and getattr(settings.persons, name) == "known":
            what = f"what emit: {{{part}: false}} leaves out cannot be known"
            yield said(f"persons.{name}", what, f"emit: {{{part}: true}}, or {name}: identifier")
    if settings.formats is not None and not settings.formats:
        yield said("formats", "allows no outward form at all", "null for all, or a list of forms")
    for system in catalogue.systems.values():
        same = [s.id for s in catalogue.systems.values() if s.uri == system.uri and s.own == system.own]
        if same[0] != system.id:
            what = f"has the URI of {same[0]}"
            yield catalogue.fault(("systems", same[-1], "uri"), "setting", what, "a URI of its own", where=system.id)
        if not system.own and not is_uri(system.uri):
            what = f"'{system.uri}' is no absolute URI"
            path, remedy = ("systems", system.id, "uri"), "https://.., or urn:oid:2.999.1"
            yield catalogue.fault(path, "setting", what, remedy, where=system.id)


PLACEHOLDER = "https://newborn-exam-adapter.invalid/"
"""What the shipped packs put in place of a site's own identifier systems; it never resolves (RFC 2606)."""


def placeholders(catalogue: Catalogue) -> list[Problem]:
    """Identifier systems that a pack has and the site has not made its own, as warnings."""
    found = []
    for name, uri in catalogue.settings.identifier_systems.items():
        if uri.startswith(PLACEHOLDER):
            where, what = f"identifier_systems.{name}", f"{name} is the placeholder of a pack, {uri}"
            path = ("settings", "identifier_systems", name)
            fault = catalogue.fault(
                path, "placeholder", what, f"identifier_systems: {{{name}: your own}}", where=where
            )
            found.append(replace(fault, severity=Severity.WARNING))
    return found


_URNS = {"oid": OID, "uuid": re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")}


def is_uri(text: str) -> bool:
    """An absolute URI (RFC 3986); an OID (RFC 3061) or UUID (RFC 4122) is one, and a web address has a host."""
    scheme, colon, rest = text.partition(":")
    if not (colon and rest) or not scheme.isalnum() or any(c.isspace() for c in text):
        return False
    if scheme.lower() == "urn":
        name, _, value = rest.partition(":")
        form = _URNS.get(name.lower())
        return bool(value) and (form is None or form.fullmatch(value) is not None)
    return scheme.lower() not in ("http", "https") or bool(re.match(r"//[^/?#]+", rest))


def _fixed(catalogue: Catalogue) -> Iterator[Problem]:
    lists: dict[str, tuple[Any, tuple[str, ...]]] = {
        "sides": (catalogue.sides, tuple(Side)),
        "meanings": (catalogue.meanings, tuple(Meaning)),
        "urgencies": (catalogue.urgencies, tuple(Urgency)),
        "details": (catalogue.details, _DETAILS),
    }
    for name, (entries, ids) in lists.items():
        for unknown in sorted(set(entries) - {str(i) for i in ids}):
            remedy = f"labels may be replaced; the ids are {', '.join(ids)}"
            what = f"'{unknown}' cannot be added to {name}.yaml"
            yield catalogue.fault((name, unknown), "fixed-list", what, remedy)


def _claim(claim: ProfileClaim, catalogue: Catalogue) -> Iterator[Problem]:
    def said(what: str, remedy: str, says: str = "") -> Problem:
        path, where = ("profiles", claim.id), f"profiles.{claim.id}"
        return catalogue.fault(path, "profile-claim", what, remedy, where=where, says=says)

    if claim.resource not in _MADE:
        yield said(f"no {claim.resource} is made here", f"one of {', '.join(_MADE)}", "resource")
    if claim.resource != "Observation" and (claim.items or claim.regions):
        yield said(f"a {claim.resource} is of no item", "resource: Observation, or neither items nor regions")
    for name in sorted({*claim.items} - {*catalogue.items} | {*claim.regions} - {*catalogue.regions}):
        yield said(f"'{name}' is not in the catalogue", "an item or a region that exists", name)
    for name, code in claim.components.items():
        row, known = catalogue.verified.get((code.system, code.code)), catalogue.items.get(name)
        if known is None or known.unit is None or known.components or not claim.items:
            yield said(f"'{name}' cannot be a component", "an item with one number, and items that carry it", name)
        elif row is None or row.status != "verified":
            yield said(f"{code} is not a verified code", "verify it, and add it to codes.csv", name)
    for name in sorted({*claim.needs, *claim.demands} & {*claim.without}):
        yield said(f"needs {name} and must be without it", "one of the two", "without")
    emit = catalogue.settings.emit
    absent = {
        "CommunicationRequest": not emit.tell and "emit: {tell: false}",
        "Device": not emit.device and "emit: {device: false}",
    }.get(claim.resource)
    if absent and claim.on:
        yield said(f"this site makes no {claim.resource} ({absent})", "make it, or on: false")


def _local_codes(catalogue: Catalogue) -> Iterator[Problem]:
    """One code for two questions is refused, as for two answers of one; answers of two questions may share one."""
    seen: dict[tuple[str, str, str], str] = {}
    for place, code in catalogue.codes():
        system = catalogue.systems.get(code.system)
        if system is None or not system.local:
            continue
        holder, comma, _ = place.rpartition(",")
        scope = holder if comma else place.partition(" ")[0]
        first = seen.setdefault((scope, code.system, code.code), place)
        if first != place:
            what = f"{code} stands for {first} and for {place}"
            remedy = "one local code for one meaning"
            yield catalogue.fault(local_path_of(place), "two-meanings", what, remedy)
    for item in catalogue.items.values():
        if item.profile and not any(code.system == "loinc" for code in item.codes):
            what = f"claims {item.profile} without a LOINC code, which the profile demands"
            path, remedy = ("items", item.id, "codes"), "the LOINC code, or profile: null"
            yield catalogue.fault(path, "profile-needs-code", what, remedy, where=item.id)


def _equivalences(catalogue: Catalogue) -> Iterator[Problem]:
    """A shipped grade of a code that a site has replaced is passed over; a place that is nowhere is a mistake."""
    givers = {grade.by for entry in catalogue.equivalences.values() for grade in entry.targets.values()}
    for giver in sorted(givers - set(catalogue.graders)):
        what = f"'{giver}' grades codes and is not defined"
        holders = (
            e.id for e in catalogue.equivalences.values() if giver in {grade.by for grade in e.targets.values()}
        )
        path, remedy = ("equivalences", next(holders)), "add it to graders.yaml"
        yield catalogue.fault(path, "unknown-reference", what, remedy, where=giver, says=giver)
    yield from _unsent(catalogue)
    holding = {place for place, _ in catalogue.codes()} | {f"reason {name}" for name in catalogue.reasons}
    known = holding | {f"item {name}" for name in catalogue.items} | {f"site {name}" for name in catalogue.sites}
    for name in sorted(set(catalogue.equivalences) - known):
        what = f"'{name}' is nowhere in the catalogue"
        path, remedy = ("equivalences", name), "such as item length, or site hand"
        yield catalogue.fault(path, "unknown-reference", what, remedy, where=name)


def _unsent(catalogue: Catalogue) -> Iterator[Problem]:
    """Grades that the site itself gives to codes that its catalogue does not have at that place."""
    held: dict[str, set[str]] = {f"reason {name}": {reason.absent} for name, reason in catalogue.reasons.items()}
    for place in places(catalogue):
        held.setdefault(place.where, set()).update(code.code for code in place.codes)
    for name, entry in catalogue.equivalences.items():
        for code in sorted(entry.targets):
            path = ("equivalences", name, "targets", code)
            ours = catalogue.places.says_site(*path)
            if ours and name in held and code not in held[name]:
                what = f"grades {code}, which does not stand there"
                remedy = f"one of {', '.join(sorted(held[name]))}; or the code with the entry itself"
                yield catalogue.fault(path, "unknown-reference", what, remedy, where=name)


def _growth(catalogue: Catalogue) -> Iterator[Problem]:
    for name, reference in catalogue.growth.items():
        file, rows = f"growth/{name}.csv", reference.rows
        for what in (*gaps(rows), *sexes_missing(rows)):
            yield _of_table(file, "growth-gap", what, "the rows that are missing", None)
        for number, row in enumerate(rows, start=2):
            limits = catalogue.items[MEASURED[row.measure]].limits
            values = [row.lms[1]] if row.lms else [value for _, value in row.centiles]
            if limits is not None and not all(limits.possible[0] <= value <= limits.possible[1] for value in values):
                low, high = limits.possible
                what = f"{row.measure}: {values[0]:f} is outside what is possible, {low} to {high}"
                yield _of_table(file, "growth-value", what, "weight in grams, length and head in centimetres", number)
        if name == catalogue.settings.growth_reference:
            yield from _centiles(file, reference, catalogue)


def _centiles(file: str, reference: GrowthReference, catalogue: Catalogue) -> Iterator[Problem]:
    """Centiles that the site's bands name and a table of centiles has not: nobody would be called small by them."""
    bands = catalogue.settings.size_bands
    known = {centile for row in reference.rows for centile, _ in row.centiles}
    for name in ("severe", "small", "large"):
        centile = getattr(bands, name)
        if known and not any(row.lms for row in reference.rows) and centile not in known:
            what = f"has no column c{centile}, which size_bands names as {name}"
            yield _of_table(file, "growth-centile", what, "that column, or other size_bands in site.yaml", 1)


def _of_table(file: str, rule: str, what: str, remedy: str, line: int | None) -> Problem:
    return Problem(Severity.ERROR, Layer.CATALOGUE, rule, what, remedy, file=file, line=line)
