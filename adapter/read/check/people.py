"""The exam as a whole: its kind, who examined, who was examined, and that no one is taken for another."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from adapter.exam import Identifier, Newborn
from adapter.problems import Problem
from adapter.read.check.subject import Subject
from adapter.read.wording import one_of, shown


def check_people(subject: Subject) -> Iterator[Problem]:
    """Unknown kinds, roles and dating methods; an identifier given twice or shared by mother and newborn."""
    catalogue, place = subject.catalogue, subject.place
    if (details := subject.details) is not None:
        if details.kind not in catalogue.kinds:
            yield place("/exam/kind").error(
                "unknown-kind", f"no kind of exam {shown(details.kind)}", one_of(details.kind, catalogue.kinds)
            )
        if details.amends is not None and details.amends == details.id:
            yield place("/exam/amends").error(
                "amends-itself",
                "the exam amends itself",
                "a new id for this record; amends holds the id of the version that it corrects",
            )
        for n, examiner in enumerate(details.examiners):
            if examiner.role not in catalogue.roles:
                yield place(f"/exam/examiners/{n}/role").error(
                    "unknown-role", f"no role {shown(examiner.role)}", one_of(examiner.role, catalogue.roles)
                )
    if subject.newborn is not None:
        yield from _newborn(subject.newborn, subject)


def _newborn(newborn: Newborn, subject: Subject) -> Iterator[Problem]:
    catalogue, place = subject.catalogue, subject.place
    yield from _twice(newborn.identifiers, "/newborn/identifiers", subject)
    method = newborn.gestation.method if newborn.gestation else None
    if method is not None and method not in catalogue.methods:
        yield place("/newborn/gestation/method").error(
            "unknown-method", f"no method {shown(method)} of estimating gestation", one_of(method, catalogue.methods)
        )
    if newborn.mother is None:
        return
    yield from _twice(newborn.mother.identifiers, "/newborn/mother/identifiers", subject)
    own = {_key(identifier, subject) for identifier in newborn.identifiers}
    for n, identifier in enumerate(newborn.mother.identifiers):
        if _key(identifier, subject) in own:
            yield place(f"/newborn/mother/identifiers/{n}").error(
                "mother-is-newborn",
                f"mother and newborn share an identifier of system {identifier.system}",
                "the mother's own identifiers; a newborn is never filed under the mother's",
            )


def _key(identifier: Identifier, subject: Subject) -> str:
    return str(subject.catalogue.resolve(identifier))


def _twice(identifiers: Sequence[Identifier], pointer: str, subject: Subject) -> Iterator[Problem]:
    seen: set[str] = set()
    for n, identifier in enumerate(identifiers):
        key = _key(identifier, subject)
        if key in seen:
            yield subject.place(f"{pointer}/{n}").error(
                "identifier-twice",
                f"an identifier of system {identifier.system} stands twice",
                "each identifier once",
            )
        seen.add(key)
