"""The constraints of Bundle in R4 4.0.1 (bdl-1 to bdl-5, bdl-7 to bdl-12; 4.0.1 has no bdl-6)."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from adapter.validate.constraint import Asked, Broken, Invariant, unless
from adapter.validate.walk import ElementNode, has, objects, text

_WITH_REQUEST = frozenset({"batch", "transaction", "history"})
_WITH_RESPONSE = frozenset({"batch-response", "transaction-response", "history"})


def _only_in(name: str, *types: str) -> Asked:
    return unless(lambda n: not has(n.value, name) or text(n.value, "type") in types)


def _search_elsewhere(node: ElementNode) -> Iterator[str]:
    if text(node.value, "type") != "searchset":
        for index, entry in enumerate(node.objects("entry")):
            if has(entry, "search"):
                yield f".entry[{index}].search"


def _exactly_in(name: str, types: frozenset[str]) -> Asked:
    """Each entry has the element if, and only if, the Bundle is of one of the types."""

    def broken(node: ElementNode) -> Iterator[str]:
        wanted = text(node.value, "type") in types
        for index, entry in enumerate(node.objects("entry")):
            if has(entry, name) != wanted:
                yield f".entry[{index}]"

    return Asked(broken)


def _repeated(node: ElementNode) -> Iterator[str]:
    if text(node.value, "type") == "history":
        return
    entries = [(text(entry, "fullUrl"), index, entry) for index, entry in enumerate(node.objects("entry"))]
    if len({url for url, *_ in entries}) == len(entries):
        return
    seen: set[tuple[str, str]] = set()
    for url, index, entry in entries:
        version = "".join(
            text(meta, "versionId") for one in objects(entry, "resource") for meta in objects(one, "meta")
        )
        if url and (url, version) in seen:
            yield f".entry[{index}].fullUrl"
        seen.add((url, version))


def _identified(node: ElementNode) -> bool:
    identifiers = node.objects("identifier")
    return any(has(one, "system") and has(one, "value") for one in identifiers)


def _begins_with(bundle_type: str, resource_type: str) -> Asked:
    def broken(node: ElementNode) -> Broken:
        if text(node.value, "type") != bundle_type:
            return ()
        first = next(iter(node.objects("entry")), {})
        found = [text(resource, "resourceType") for resource in objects(first, "resource")]
        return () if found == [resource_type] else (".entry[0].resource",)

    return Asked(broken)


def _in_documents(holds: Callable[[ElementNode], bool]) -> Asked:
    return unless(lambda n: text(n.value, "type") != "document" or holds(n))


_BUNDLE = ("Bundle",)

BUNDLE_INVARIANTS = (
    Invariant(
        "bdl-1", _BUNDLE, _only_in("total", "searchset", "history"),
        "total stands in a Bundle that is neither searchset nor history", "leave total out",
    ),
    Invariant(
        "bdl-2", _BUNDLE, Asked(_search_elsewhere, ("entry",)),
        "entry.search stands in a Bundle that is no searchset", "leave search out",
    ),
    Invariant(
        "bdl-3", _BUNDLE, _exactly_in("request", _WITH_REQUEST),
        "entry.request is needed in batch, transaction and history, and allowed nowhere else",
        "request with method and url in each entry, or another type of Bundle",
    ),
    Invariant(
        "bdl-4", _BUNDLE, _exactly_in("response", _WITH_RESPONSE),
        "entry.response is needed in batch-response, transaction-response and history, and allowed nowhere else",
        "response with status in each entry, or another type of Bundle",
    ),
    Invariant(
        "bdl-5", ("Bundle.entry",),
        unless(lambda n: any(has(n.value, name) for name in ("resource", "request", "response"))),
        "an entry without resource, request and response", "a resource",
    ),
    Invariant(
        "bdl-7", _BUNDLE, Asked(_repeated, ("entry",)),
        "two entries have the same fullUrl", "one entry a resource, each with its own fullUrl",
    ),
    Invariant(
        "bdl-8", ("Bundle.entry",),
        Asked(lambda n: (".fullUrl",) if "/_history/" in text(n.value, "fullUrl") else (), ("fullUrl",)),
        "fullUrl leads to a version", "the URL without /_history/",
    ),
    Invariant(
        "bdl-9", _BUNDLE, _in_documents(_identified),
        "a document needs an identifier", "identifier with system and value",
    ),
    Invariant(
        "bdl-10", _BUNDLE, _in_documents(lambda n: bool(text(n.value, "timestamp"))),
        "a document needs a timestamp", "timestamp: when the document was assembled",
    ),
    Invariant(
        "bdl-11", _BUNDLE, _begins_with("document", "Composition"),
        "a document begins with its Composition", "the Composition in entry[0]",
    ),
    Invariant(
        "bdl-12", _BUNDLE, _begins_with("message", "MessageHeader"),
        "a message begins with its MessageHeader", "the MessageHeader in entry[0]",
    ),
)  # fmt: skip
