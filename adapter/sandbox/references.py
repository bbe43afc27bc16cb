"""References between the resources of a bundle: rewriting them, finding conditional and dangling ones.

FHIR R4 RESTful API, section 3.1.0.11.2 (transaction processing rules) and bundle.html 2.36.4.1 (resolving
references in bundles). Rewritten are ``Reference.reference``, elements of type url (``url``, ``valueUrl``)
and the ``value[x]`` of type uri, oid and uuid, and ``href`` and ``src`` of the narrative. Plain strings are
not: an ``Identifier.value`` may rightly be a ``urn:uuid:``.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any

_KEYS = frozenset({"reference", "url", "valueUri", "valueUrl", "valueOid", "valueUuid"})
_LINK = re.compile(r"""(?P<before>\b(?:href|src)\s*=\s*)(?P<quote>["'])(?P<target>.*?)(?P=quote)""", re.DOTALL)
_RESTFUL = re.compile(r"(?P<root>https?://.+)/[A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64}")
_RELATIVE = re.compile(r"[A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64}")
_CONDITIONAL = re.compile(r"(?P<type>[A-Z][A-Za-z]+)\?(?P<criteria>.+)")


def rewrite(resource: Any, full_url: str, new: Mapping[str, str]) -> Any:
    """A copy of ``resource`` with each link that ``new`` knows (by full URL) replaced.

    A relative reference is looked up below the root of ``full_url``, the address of the entry it stands in,
    where that is a RESTful one.
    """
    root = match["root"] if (match := _RESTFUL.fullmatch(full_url)) else ""

    def change(link: str) -> str:
        if link in new:
            return new[link]
        if root and _RELATIVE.fullmatch(link):
            return new.get(f"{root}/{link}", link)
        return link

    return _map(resource, change)


def resolve_conditional(resource: Any, find: Callable[[str, str], str]) -> Any:
    """A copy of ``resource`` with each reference ``Type?criteria`` replaced by what ``find`` answers."""

    def change(link: str) -> str:
        match = _CONDITIONAL.fullmatch(link)
        return find(match["type"], match["criteria"]) if match else link

    return _map(resource, change, keys=frozenset({"reference"}), narrative=False)


def unresolved(resource: Any) -> list[str]:
    """The references that can lead nowhere once stored: ``urn:`` ones and conditional ones."""
    return [r for r in references(resource) if r.startswith("urn:") or _CONDITIONAL.fullmatch(r)]


def references(node: Any) -> Iterator[str]:
    """Every ``Reference.reference`` in a resource."""
    if isinstance(node, dict):
        for key, value in node.items():
            if key == "reference" and isinstance(value, str):
                yield value
            else:
                yield from references(value)
    elif isinstance(node, list):
        for element in node:
            yield from references(element)


def _map(node: Any, change: Callable[[str], str], *, keys: frozenset[str] = _KEYS, narrative: bool = True) -> Any:
    if isinstance(node, list):
        return [_map(element, change, keys=keys, narrative=narrative) for element in node]
    if not isinstance(node, dict):
        return node
    copy = {}
    for key, value in node.items():
        if not isinstance(value, str):
            copy[key] = _map(value, change, keys=keys, narrative=narrative)
        elif key in keys:
            copy[key] = change(value)
        elif key == "div" and narrative:
            copy[key] = _LINK.sub(lambda link: _in_narrative(link, change), value)
        else:
            copy[key] = value
    return copy


def _in_narrative(link: re.Match[str], change: Callable[[str], str]) -> str:
    target = html.unescape(link["target"])
    changed = change(target)
    if changed == target:
        return link[0]
    return f"{link['before']}{link['quote']}{html.escape(changed)}{link['quote']}"
