"""Layer profiles: resources against the profiles of packages that they claim in ``meta.profile``."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from adapter.fhir.definitions import primitive_names, resource_types
from adapter.problems import Layer, Problem, Severity
from adapter.validate.bindings import none_fits
from adapter.validate.fhirpath import Context, FhirPathError, PathItem, children, holds
from adapter.validate.fhirpath.items import is_type
from adapter.validate.packages.contexts import allowed_places, may_stand
from adapter.validate.packages.load import Json, Packages
from adapter.validate.packages.places import PlacedElement, has_pattern, is_same, placed_children
from adapter.validate.packages.rules import ElementRule, ProfileInvariant, rule_tree
from adapter.validate.packages.slicing import Sorter, resolved
from adapter.validate.references import contained_target, literal_type
from adapter.validate.walk import ElementNode, claimed_profiles, text

STANDARD = "http://hl7.org/fhir/StructureDefinition/"
_DEPTH = 12


def check_profiles(nodes: Iterable[ElementNode], packages: Packages) -> Iterator[Problem]:
    """Yield what the profiles that resources claim say against them; claims that are not known are told.

    Each fault once, though an extension is held against its definition for itself and by the profile around it.
    """
    yield from dict.fromkeys(_told(nodes, packages))


def _told(nodes: Iterable[ElementNode], packages: Packages) -> Iterator[Problem]:
    for node in nodes:
        if node.resource is not None:
            if node.type == "Extension" and packages.structures:
                yield from _extension(node, packages)
            continue
        for index, claim in enumerate(claimed_profiles(node.value)):
            structure = packages.structure(claim)
            if structure is not None:
                yield from _Judge(packages, node).resource(structure)
            elif packages.structures and not claim.startswith(STANDARD):
                yield Problem(
                    Severity.WARNING, Layer.PROFILES, "profile-unknown", "no package has this profile",
                    "its package with --package; until then the claim is not checked",
                    where=f"{node.where}.meta.profile[{index}]", section="FHIR R4 Profiling (profiling.html)",
                )  # fmt: skip


def _extension(node: ElementNode, packages: Packages) -> Iterator[Problem]:
    """An extension that a package defines: what it may hold, and where it may stand (defining-extensions.html)."""
    structure = packages.structure(text(node.value, "url"))
    if structure is None or structure.get("type") != "Extension" or node.parent is None:
        return
    placed = PlacedElement(PathItem(node.value, node.type), node.where)
    yield from _Judge(packages, node).structure(structure, placed)
    if not may_stand(node, structure):
        yield Problem(
            Severity.ERROR, Layer.PROFILES, "extension-context", "this extension may not stand here",
            " | ".join(allowed_places(structure)), where=node.where, section=f"profile {_name(structure)}",
        )  # fmt: skip


_TREES: dict[tuple[int, ...], tuple[list[Json], ElementRule]] = {}


def _tree(structure: Json, packages: Packages) -> ElementRule:
    """The rules of a profile and those that it is based on; built once for each chain of definitions."""
    chain = [structure]
    while "snapshot" not in chain[-1] and len(chain) <= _DEPTH:
        base = packages.structure(str(chain[-1].get("baseDefinition", "")))
        if base is None or base.get("derivation") != "constraint":
            break
        chain.append(base)
    key = tuple(map(id, chain))
    if key not in _TREES:
        rules: ElementRule | None = None
        for one in reversed(chain):
            rules = rule_tree(one, rules)
        assert rules is not None
        _TREES[key] = (chain, rules)  # the chain is held, so that its ids stay its own
    return _TREES[key][1]


class _Judge:
    """Holds one resource against profiles."""

    def __init__(self, packages: Packages, node: ElementNode, depth: int = 0) -> None:
        self.packages = packages
        self.node = node
        self.depth = depth

    def resource(self, structure: Json) -> Iterator[Problem]:
        """The whole resource against a profile on its type."""
        placed = PlacedElement(PathItem(self.node.value, self.node.type), self.node.where)
        if structure.get("type") != self.node.type:
            what = f"a profile on {structure.get('type')} is claimed by a {self.node.type}"
            yield self._problem("profile-type", placed.where, what, "a profile on this type", _name(structure))
            return
        yield from self.structure(structure, placed)

    def structure(self, structure: Json, placed: PlacedElement) -> Iterator[Problem]:
        """An element or resource against a profile, and the profiles that it is based on."""
        yield from self.element(_tree(structure, self.packages), placed, _name(structure))

    def element(self, rule: ElementRule, placed: PlacedElement, profile: str) -> Iterator[Problem]:
        """One element against its rule, and what is in it."""
        item, where = placed.item, placed.where
        if rule.fixed is not None and not is_same(item.value, rule.fixed):
            yield self._problem(
                "profile-fixed", where, "not the value that the profile fixes", _shown(rule.fixed), profile
            )
        if rule.pattern is not None and not has_pattern(item.value, rule.pattern):
            what = "without what the profile's pattern asks for"
            yield self._problem("profile-pattern", where, what, _shown(rule.pattern), profile)
        if rule.max_length is not None and isinstance(item.value, str) and len(item.value) > rule.max_length:
            what = f"{len(item.value)} characters"
            yield self._problem("profile-length", where, what, f"at most {rule.max_length}", profile)
        yield from self._binding(rule, placed, profile)
        yield from self._type(rule, placed, profile)
        for invariant in rule.invariants:
            yield from self._invariant(invariant, placed, profile)
        for name, child in rule.children.items():
            yield from self.children(child, placed, name, profile)

    def children(self, rule: ElementRule, parent: PlacedElement, name: str, profile: str) -> Iterator[Problem]:
        """The elements of one name: how many, what each is, and the slices they make."""
        found = list(placed_children(parent, name))
        where = f"{parent.where}.{name.removesuffix('[x]')}"
        yield from self._count(rule, len(found), where, profile)
        for placed in found:
            yield from self.element(rule, placed, profile)
        if rule.slices:
            yield from self._slices(rule, found, where, profile)
        if rule.must_support and not found and not rule.min:
            what = "a must-support element is not there"
            yield self._problem(
                "must-support", where, what, "fill it where the data is known", profile, Severity.INFORMATION
            )

    def _count(self, rule: ElementRule, count: int, where: str, profile: str) -> Iterator[Problem]:
        label = f" of slice {rule.slice_name}" if rule.slice_name else ""
        most = "*" if rule.max is None else str(rule.max)
        if count < rule.min or (rule.max is not None and count > rule.max):
            what = f"{count} elements{label}, the profile wants {rule.min}..{most}"
            yield self._problem("profile-cardinality", where, what, f"{rule.min}..{most}{label}", profile)

    def _slices(self, rule: ElementRule, found: list[PlacedElement], where: str, profile: str) -> Iterator[Problem]:
        """How many elements are in each slice, what each of them is, and the slices that a slice is cut into."""
        sorter = Sorter(self.packages, self.node, self.conforms, self._rules_of)
        told = {name: one for name, one in rule.slices.items() if sorter.can_tell(rule, one)}
        members: dict[str, list[PlacedElement]] = {name: [] for name in told}
        for placed in found:
            name = next((n for n, one in told.items() if sorter.is_in(rule, one, placed)), None)
            if name is not None:
                members[name].append(placed)
            elif rule.closed and len(told) == len(rule.slices):
                what = "in none of the slices, and the profile allows no others"
                yield self._problem("profile-slice", placed.where, what, " | ".join(rule.slices), profile)
        for name, one in told.items():
            yield from self._count(one, len(members[name]), where, profile)
            for placed in members[name]:
                yield from self.element(one, placed, profile)
            if one.slices:
                yield from self._slices(one, members[name], where, profile)
        for name in rule.slices.keys() - told.keys():
            what = f"the slice {name} was not checked: what it is told by stands in a profile that no package has"
            remedy = "the package of the profile's base, with --package too"
            yield self._problem("slice-unknown", where, what, remedy, profile, Severity.INFORMATION)

    def _rules_of(self, profile: str) -> ElementRule | None:
        structure = self.packages.structure(profile)
        return None if structure is None else _tree(structure, self.packages)

    def conforms(self, placed: PlacedElement, profile: str) -> bool:
        """Whether an element or resource has no error against a profile; false for one that is not known."""
        url = profile.partition("|")[0]
        if url.startswith(STANDARD) and url.removeprefix(STANDARD) in resource_types():
            return placed.item.type == url.removeprefix(STANDARD)
        structure = self.packages.structure(url)
        if structure is None or self.depth > _DEPTH or not is_type(placed.item.type, str(structure.get("type"))):
            return False
        return not any(p.severity is Severity.ERROR for p in self._inner().structure(structure, placed))

    def _inner(self) -> _Judge:
        return _Judge(self.packages, self.node, self.depth + 1)

    def _binding(self, rule: ElementRule, placed: PlacedElement, profile: str) -> Iterator[Problem]:
        strength, url = rule.binding
        if strength not in ("required", "extensible") or not _is_coded(placed.item):
            return
        if self.packages.member_of(placed.item, url) is False:
            severity = Severity.ERROR if strength == "required" else Severity.WARNING
            if severity is Severity.WARNING and (not _has_code(placed.item) or _none_fits(placed.item, url)):
                return
            what = f"no code of the {strength} value set {url}"
            yield self._problem("profile-binding", placed.where, what, "a code of it", profile, severity)

    def _type(self, rule: ElementRule, placed: PlacedElement, profile: str) -> Iterator[Problem]:
        item = placed.item
        if (
            rule.types
            and rule.name
            and item.value is not None
            and not any(_is_allowed(item.type, t) for t in rule.types)
        ):
            what = f"a {item.type}, which the profile does not allow"
            yield self._problem("profile-type", placed.where, what, " | ".join(rule.types), profile)
            return
        for code, profiles in rule.types.items():
            known = [s for p in profiles if (s := self.packages.structure(p)) is not None]
            if not is_type(item.type, code) or not known or len(known) != len(profiles) or self.depth > _DEPTH:
                continue
            said = [list(self._inner().structure(structure, placed)) for structure in known]
            if all(any(p.severity is Severity.ERROR for p in problems) for problems in said):
                yield from min(said, key=len)
        if rule.targets and isinstance(item.value, Mapping):
            yield from self._target(rule, placed, profile)

    def _target(self, rule: ElementRule, placed: PlacedElement, profile: str) -> Iterator[Problem]:
        """The type of a reference's target; what the target is like is asked where it stands."""
        reference = text(placed.item.value, "reference")
        target = contained_target(self.node, reference)
        shown = text(target, "resourceType") if target else literal_type(reference)
        allowed = {self._target_type(url) for url in rule.targets}
        if shown and "" not in allowed and "Resource" not in allowed and shown not in allowed:
            what = f"a reference to {shown}, which the profile does not allow"
            remedy = " | ".join(sorted(allowed))
            yield self._problem("profile-target", f"{placed.where}.reference", what, remedy, profile)

    def _target_type(self, url: str) -> str:
        structure = self.packages.structure(url)
        if structure is not None:
            return str(structure.get("type"))
        name = url.partition("|")[0].removeprefix(STANDARD)
        return name if name in resource_types() or name == "Resource" else ""

    def _invariant(self, invariant: ProfileInvariant, placed: PlacedElement, profile: str) -> Iterator[Problem]:
        if invariant.expression is None:
            what = f"the constraint {invariant.key} uses FHIRPath that is not known here, and was not checked"
            yield self._problem(
                invariant.key, placed.where, what, "check it elsewhere", profile, Severity.INFORMATION
            )
            return
        own, root = self.node.own, self.node.container
        context = Context(
            resource=PathItem(own.value, own.type),
            root=PathItem(root.value, root.type),
            context=placed.item,
            member_of=self.packages.member_of,
            conforms_to=lambda item, url: self.conforms(PlacedElement(item, placed.where), url),
            resolve=lambda reference: _item(resolved(self.node, reference)),
        )
        try:
            kept = holds(invariant.expression, placed.item, context)
        except FhirPathError as error:
            what = f"the constraint {invariant.key} cannot be evaluated: {error}"
            yield self._problem(invariant.key, placed.where, what, "", profile, Severity.INFORMATION)
            return
        if not kept:
            severity = Severity.ERROR if invariant.severity == "error" else Severity.WARNING
            what = invariant.human or f"the constraint {invariant.key} is not kept"
            yield self._problem(
                invariant.key, placed.where, what, f"what {invariant.key} asks for", profile, severity
            )

    def _problem(
        self, rule: str, where: str, what: str, remedy: str, profile: str, severity: Severity = Severity.ERROR
    ) -> Problem:
        return Problem(severity, Layer.PROFILES, rule, what, remedy, where=where, section=f"profile {profile}")


def _item(resource: Mapping[str, Any] | None) -> PathItem | None:
    return None if resource is None else PathItem(resource, text(resource, "resourceType"))


def _is_allowed(type_name: str, code: str) -> bool:
    """Whether a type of the table is the one that a profile names; a code is no string here."""
    return type_name == code or (type_name not in primitive_names() and is_type(type_name, code))


def _is_coded(item: PathItem) -> bool:
    return item.type in ("code", "Coding", "CodeableConcept", "Quantity") and item.value is not None


def _has_code(item: PathItem) -> bool:
    return not isinstance(item.value, Mapping) or any(
        True for name in ("coding", "code") for _ in children(item, name)
    )


def _none_fits(item: PathItem, value_set_url: str) -> bool:
    return isinstance(item.value, Mapping) and none_fits(item.value, value_set_url)


def _name(structure: Json) -> str:
    return str(structure.get("name") or structure.get("url"))


def _shown(value: Any) -> str:
    """A fixed value or pattern of a profile in short."""
    shown = str(value) if not isinstance(value, Mapping | list) else _flat(value)
    return shown if len(shown) <= 160 else f"{shown[:157]}…"


def _flat(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_flat(inner)}" for key, inner in value.items())
    if isinstance(value, list):
        return " and ".join(map(_flat, value))
    return str(value)
