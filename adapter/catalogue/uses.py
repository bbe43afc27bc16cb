"""Every published or local code that a site may send, by what it is for: what a proof must ask of each."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime

from adapter.catalogue.catalogue import Catalogue
from adapter.catalogue.lint_codes import CodePlace, places
from adapter.catalogue.model import Item, ItemType
from adapter.catalogue.proof import Proof, Verdict
from adapter.problems import Layer, Problem, Severity

_ANSWERED = frozenset({"Ord", "Nom"})
SCALES: dict[ItemType, frozenset[str]] = {
    ItemType.QUANTITY: frozenset({"Qn", "OrdQn"}),
    ItemType.CHOICE: _ANSWERED,
    ItemType.CHOICES: _ANSWERED,
    ItemType.SCORE: frozenset({"Qn", "Ord", "OrdQn"}),
}
"""The scales of LOINC (Users' Guide, scale types) that fit how an item is answered; others have no rule."""


@dataclass(frozen=True, slots=True)
class Use:
    """A code in one role. ``scales`` of LOINC fit it (none: any), ``dimension`` is what its quantity measures,
    ``of`` are the LOINC questions whose answer it is."""

    system: str
    code: str
    display: str | None
    role: str
    where: str
    scales: frozenset[str] = frozenset()
    dimension: str = ""
    of: tuple[str, ...] = ()


def uses(catalogue: Catalogue) -> Iterator[Use]:
    """Every code that this site sends, once for each place it stands at; units of the items after them."""
    for place in places(catalogue):
        if place.maps:
            continue
        item = catalogue.items.get(place.where.split(",")[0].removeprefix("item "))
        for code in place.codes:
            if catalogue.sends(code):
                yield Use(
                    *(code.system, code.code, code.display, place.role, place.where),
                    scales=_scales(place, item),
                    dimension=_dimension(code.code, place, item, catalogue),
                    of=_questions(place, item) if place.role == "value" and code.system == "loinc" else (),
                )
    for ucum, where in sorted(_units(catalogue).items()):
        yield Use("ucum", ucum, None, "unit", where)


def _is_whole(place: CodePlace) -> bool:
    return ", " not in place.where


def _scales(place: CodePlace, item: Item | None) -> frozenset[str]:
    if item is None or place.role != "question":
        return frozenset()
    if ", component " in place.where:
        return SCALES[ItemType.QUANTITY]
    return SCALES.get(item.type, frozenset()) if _is_whole(place) else frozenset()


def _dimension(code: str, place: CodePlace, item: Item | None, catalogue: Catalogue) -> str:
    if item is None or item.unit is None or place.role != "question":
        return ""
    if ", component " not in place.where and not (item.type is ItemType.QUANTITY and _is_whole(place)):
        return ""
    other = next((one.unit for one in item.other_units if any(each.code == code for each in one.codes)), item.unit)
    return catalogue.units[other].dimension


def _questions(place: CodePlace, item: Item | None) -> tuple[str, ...]:
    if item is None:
        return ()
    sign = next((sign for sign in item.signs if f", sign {sign.id}, " in place.where), None)
    by_condition = (code for _, _, codes in item.codes_by.conditions() for code in codes)
    codes = sign.codes if sign is not None else (*item.codes, *by_condition)
    return tuple(dict.fromkeys(code.code for code in codes if code.system == "loinc"))


def _units(catalogue: Catalogue) -> dict[str, str]:
    """Every unit in which a quantity of this catalogue may be sent, and the first item that has it."""
    found: dict[str, str] = {}
    for item in catalogue.items.values():
        if item.type in (ItemType.QUANTITY, ItemType.QUANTITIES) and item.unit is not None:
            units = {item.unit, *item.kept_units, *(other.unit for other in item.other_units)}
            units |= {unit.ucum for unit in catalogue.units.of_dimension(catalogue.units[item.unit].dimension)}
            for ucum in units:
                found.setdefault(ucum, f"item {item.id}")
    return found


def standing(catalogue: Catalogue, today: date | None = None) -> list[Problem]:
    """What a site that wants its codes proved must hear before it sends: no proof, of other codes, too old, failed.

    Nothing where the site does not want it (``proof: {wanted: true}`` in ``site.yaml``). ``today`` is the clock's.
    """
    wanted, proof = catalogue.settings.proof, catalogue.proof
    if not wanted.wanted:
        return []
    if proof is None:
        what = "the site wants its codes proved, and there is no proof in its folder"
        return [_warned("proof-missing", what, "newborn-adapter terminology prove --to URL --site DIR")]
    found = []
    new = _unknown_to(proof, catalogue)
    if new:
        what = f"the proof is of another catalogue: {len(new)} codes that may be sent are not in it ({_some(new)})"
        found.append(_warned("proof-of-another-catalogue", what, "prove the codes anew"))
    age = ((today or datetime.now(UTC).date()) - proof.made.date()).days
    if age > wanted.days:
        what = f"the proof is {age} days old, the site allows {wanted.days}"
        found.append(_warned("proof-too-old", what, "prove the codes against the release of today"))
    open_ = [f"{one.system} {one.code}" for one in proof.codes if one.verdict is Verdict.UNPROVED]
    if open_:
        what = f"the proof leaves {len(open_)} codes open, which its server could not be asked ({_some(open_)})"
        found.append(_warned("proof-incomplete", what, "prove the codes against a server that holds their systems"))
    failed = [f"{one.system} {one.code}" for one in proof.failed]
    if failed:
        what = f"the proof says that {len(failed)} codes may not be sent ({_some(failed)})"
        found.append(_warned("proof-failed", what, "replace them in the site's folder, and prove the codes anew"))
    return found


def _unknown_to(proof: Proof, catalogue: Catalogue) -> list[str]:
    """Codes of the catalogue that the proof has not, or not with this display or in this role."""
    known = proof.by_code
    found: dict[str, None] = {}
    for use in uses(catalogue):
        held = known.get((use.system, use.code))
        if held is None or use.role not in held.roles or held.display != use.display:
            found[f"{use.system} {use.code}"] = None
    return list(found)


def _some(names: list[str]) -> str:
    return ", ".join(names[:3]) + (" …" if len(names) > 3 else "")


def _warned(rule: str, what: str, remedy: str) -> Problem:
    return Problem(Severity.WARNING, Layer.TERMINOLOGY, rule, what, remedy)
