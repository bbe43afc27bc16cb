"""Who has read which rules, ranges and answers here, and for which version of the catalogue (``signatures.yaml``)."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Literal

from pydantic import Field, model_validator

from adapter.catalogue.code import Frozen
from adapter.exam.text import Key, Line

Signed = Literal["rules", "ranges", "answers"]
"""What is signed: a rule by its id, the ranges or the answers of an item by the item's."""


class Signature(Frozen):
    """A clinician of a site has read these and stands for them; ``role`` is one of ``roles.yaml``, no name is needed.

    ``version`` is that of the catalogue that was read: another version is not signed by it. Each list holds ids, or
    ``all``. What the site's own folder changed afterwards is to be signed anew.
    """

    id: Key
    role: Key
    date: date
    version: Line
    rules: tuple[Key, ...] = ()
    ranges: tuple[Key, ...] = Field(default=(), description="items")
    answers: tuple[Key, ...] = Field(default=(), description="items")
    note: str = ""

    @model_validator(mode="after")
    def _of_something(self) -> Signature:
        if not (self.rules or self.ranges or self.answers):
            raise ValueError("signs nothing: rules, ranges or answers, each [all] or a list of ids")
        return self

    def covers(self, what: Signed, name: str) -> bool:
        """Whether it is of this rule, or of the ranges or answers of this item."""
        return bool({"all", name} & {*getattr(self, what)})


def signature_for(signatures: Iterable[Signature], what: Signed, name: str, version: str) -> Signature | None:
    """The latest signature of it for this version of the catalogue; None without one."""
    return signature_of((one for one in signatures if one.version == version), what, name, version)


def signature_of(signatures: Iterable[Signature], what: Signed, name: str, version: str) -> Signature | None:
    """The latest signature of it: one for this version of the catalogue, else one for another; None without any."""
    found = [one for one in signatures if one.covers(what, name)]
    return max(found, key=lambda one: (one.version == version, one.date), default=None)
