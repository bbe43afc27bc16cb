"""The functions of FHIRPath N1 and of FHIR R4 (fhirpath.html#functions) that constraints use."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import Decimal, InvalidOperation
from typing import Any

from adapter.validate.fhirpath.items import PathItem, all_children, children, descendants, equal, item_of
from adapter.validate.fhirpath.parse import FhirPathError
from adapter.validate.narrative import has_content, is_allowed_html

Collection = list[PathItem]


@dataclass(slots=True)
class Environment:
    """Hooks of the functions that lead outside the resource; each may say None for *cannot tell*."""

    resolve: Callable[[str], PathItem | None] = lambda reference: None
    member_of: Callable[[PathItem, str], bool | None] = lambda item, value_set: None
    conforms_to: Callable[[PathItem, str], bool | None] = lambda item, profile: None


def single(found: Collection) -> PathItem:
    """The one item of a collection; FhirPathError for none or several."""
    if len(found) != 1:
        raise FhirPathError(f"{len(found)} values where one is needed")
    return found[0]


def truth(found: Collection) -> bool | None:
    """A collection as a boolean: None if empty, true for one item that is no boolean (singleton evaluation)."""
    if not found:
        return None
    value = single(found).value
    return value if isinstance(value, bool) else True


def distinct(found: Collection) -> Collection:
    """Each item once."""
    seen: set[Any] = set()
    made: Collection = []
    for item in found:
        if item.is_primitive:
            key = (isinstance(item.value, bool), item.value)
            if key in seen:
                continue
            seen.add(key)
        elif any(equal(item, other) for other in made):
            continue
        made.append(item)
    return made


def text_of(found: Collection) -> str:
    """The text of at most one item; empty for none."""
    if not found:
        return ""
    return _text(single(found)) or ""


def _text(item: PathItem) -> str | None:
    value = item.value
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        return format(value, "f")
    return str(value) if isinstance(value, str | int) else None


def _of(value: Any) -> Collection:
    return [item_of(value)]


# --- functions whose arguments are expressions for each item ----------------------------------------------

Lambda = Callable[[Any, Collection], Collection]


def _each(context: Any, found: Collection) -> Iterator[PathItem]:
    before = context.index
    for context.index, item in enumerate(found):
        yield item
    context.index = before


def _where(context: Any, found: Collection, arguments: tuple[Lambda, ...]) -> Collection:
    return [item for item in _each(context, found) if truth(arguments[0](context, [item]))]


def _select(context: Any, found: Collection, arguments: tuple[Lambda, ...]) -> Collection:
    return [made for item in _each(context, found) for made in arguments[0](context, [item])]


def _all(context: Any, found: Collection, arguments: tuple[Lambda, ...]) -> Collection:
    return _of(all(truth(arguments[0](context, [item])) for item in _each(context, found)))


def _exists(context: Any, found: Collection, arguments: tuple[Lambda, ...]) -> Collection:
    return _of(bool(_where(context, found, arguments) if arguments else found))


def _repeat(context: Any, found: Collection, arguments: tuple[Lambda, ...]) -> Collection:
    made: Collection = []
    waiting = found
    while waiting:
        fresh = [item for one in waiting for item in arguments[0](context, [one])]
        waiting = [item for item in fresh if not any(item.value is known.value for known in made)]
        made += waiting
    return made


def _iif(context: Any, found: Collection, arguments: tuple[Lambda, ...]) -> Collection:
    if truth(arguments[0](context, found)):
        return arguments[1](context, found)
    return arguments[2](context, found) if len(arguments) > 2 else []


def _aggregate(context: Any, found: Collection, arguments: tuple[Lambda, ...]) -> Collection:
    before, context.total = context.total, arguments[1](context, found) if len(arguments) > 1 else []
    for item in _each(context, found):
        context.total = arguments[0](context, [item])
    made, context.total = context.total, before
    return list(made)


def _trace(context: Any, found: Collection, arguments: tuple[Lambda, ...]) -> Collection:
    return found


LAMBDAS: dict[str, Callable[[Any, Collection, tuple[Any, ...]], Collection]] = {
    "where": _where,
    "select": _select,
    "all": _all,
    "exists": _exists,
    "repeat": _repeat,
    "iif": _iif,
    "aggregate": _aggregate,
    "trace": _trace,
}

# --- functions of the input and values --------------------------------------------------------------------


def _on_text(compute: Callable[..., Any]) -> Callable[..., Collection]:
    """A function of one text and texts or numbers; empty where one of them is."""

    def function(context: Any, found: Collection, *arguments: Collection) -> Collection:
        if not found or not all(arguments):
            return []
        text = _text(single(found))
        if text is None:
            return []
        made = compute(text, *(single(argument).value for argument in arguments))
        if isinstance(made, list):
            return [item_of(one) for one in made]
        return [] if made is None else _of(made)

    return function


def _test_text(compute: Callable[..., bool]) -> Callable[..., Collection]:
    """A question to one text. Nothing is no such text: R4's own constraints (ref-1, bdl-8) count on false here."""
    on_text = _on_text(compute)
    return lambda context, found, part: on_text(context, found, part) if found else _of(False)


def _matches(text: str, pattern: Any) -> bool:
    try:
        return re.search(pattern, text, re.DOTALL) is not None
    except (re.error, TypeError):
        raise FhirPathError("the regular expression cannot be read") from None


def _replace_matches(text: str, pattern: Any, other: Any) -> str:
    try:
        return re.sub(pattern, re.sub(r"\$(\d)", r"\\\1", other), text)
    except (re.error, TypeError):
        raise FhirPathError("the regular expression cannot be read") from None


def _substring(text: str, start: Any, length: Any = None) -> str | None:
    if not isinstance(start, int) or not 0 <= start < len(text):
        return None
    return text[start:] if length is None else text[start : start + length]


def _integer(text: str) -> int | None:
    return int(text) if re.fullmatch(r"[+-]?[0-9]{1,18}", text) else None


def _decimal(text: str) -> Decimal | None:
    try:
        made = Decimal(text)
    except InvalidOperation:
        return None
    return made if made.is_finite() else None


def _boolean(text: str) -> bool | None:
    return {"true": True, "t": True, "yes": True, "1": True, "false": False, "f": False, "no": False, "0": False}.get(
        text.lower()
    )


def _intersect(context: Any, found: Collection, other: Collection) -> Collection:
    return distinct([item for item in found if any(equal(item, one) for one in other)])


def _exclude(context: Any, found: Collection, other: Collection) -> Collection:
    return [item for item in found if not any(equal(item, one) for one in other)]


def _subset(context: Any, found: Collection, other: Collection) -> Collection:
    return _of(not _exclude(context, found, other))


def _has_value(context: Any, found: Collection) -> Collection:
    return _of(len(found) == 1 and found[0].is_primitive and found[0].value is not None)


def _get_value(context: Any, found: Collection) -> Collection:
    return found if _has_value(context, found)[0].value else []


def _extension(context: Any, found: Collection, url: Collection) -> Collection:
    wanted = single(url).value
    return [
        extension for item in found for extension in children(item, "extension")
        if isinstance(extension.value, dict) and extension.value.get("url") == wanted
    ]  # fmt: skip


def _resolve(context: Any, found: Collection) -> Collection:
    made: Collection = []
    for item in found:
        reference = item.value if item.is_primitive else item.value.get("reference")
        target = context.resolve(reference) if isinstance(reference, str) else None
        if target is not None:
            made.append(target)
    return made


def _asked(hook: str) -> Callable[..., Collection]:
    """A question to the surroundings; empty where they cannot tell."""

    def function(context: Any, found: Collection, what: Collection) -> Collection:
        if not found:
            return []
        said = getattr(context, hook)(single(found), str(single(what).value))
        return [] if said is None else _of(said)

    return function


def _html(context: Any, found: Collection) -> Collection:
    return _of(all(is_allowed_html(item.value) and has_content(item.value) for item in found))


def _all_are(wanted: bool) -> Callable[..., Collection]:
    return lambda context, found: _of(all(item.value is wanted for item in found))


def _any_is(wanted: bool) -> Callable[..., Collection]:
    return lambda context, found: _of(any(item.value is wanted for item in found))


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


FUNCTIONS: dict[str, Callable[..., Collection]] = {
    "empty": lambda context, found: _of(not found),
    "not": lambda context, found: [] if (said := truth(found)) is None else _of(not said),
    "count": lambda context, found: _of(len(found)),
    "distinct": lambda context, found: distinct(found),
    "isDistinct": lambda context, found: _of(len(distinct(found)) == len(found)),
    "first": lambda context, found: found[:1],
    "last": lambda context, found: found[-1:],
    "tail": lambda context, found: found[1:],
    "skip": lambda context, found, number: found[max(single(number).value, 0) :],
    "take": lambda context, found, number: found[: max(single(number).value, 0)],
    "single": lambda context, found: [single(found)] if found else [],
    "children": lambda context, found: [child for item in found for child in all_children(item)],
    "descendants": lambda context, found: [child for item in found for child in descendants(item)],
    "combine": lambda context, found, other: [*found, *other],
    "union": lambda context, found, other: distinct([*found, *other]),
    "intersect": _intersect,
    "exclude": _exclude,
    "subsetOf": _subset,
    "supersetOf": lambda context, found, other: _subset(context, other, found),
    "allTrue": _all_are(True),
    "allFalse": _all_are(False),
    "anyTrue": _any_is(True),
    "anyFalse": _any_is(False),
    "hasValue": _has_value,
    "getValue": _get_value,
    "extension": _extension,
    "resolve": _resolve,
    "memberOf": _asked("member_of"),
    "conformsTo": _asked("conforms_to"),
    "htmlChecks": _html,
    "now": lambda context, found: [PathItem(_now(), "dateTime")],
    "today": lambda context, found: [PathItem(_now()[:10], "date")],
    "matches": _test_text(_matches),
    "replaceMatches": _on_text(_replace_matches),
    "replace": _on_text(lambda text, old, new: text.replace(old, new)),
    "contains": _test_text(lambda text, part: part in text),
    "startsWith": _test_text(lambda text, part: text.startswith(part)),
    "endsWith": _test_text(lambda text, part: text.endswith(part)),
    "indexOf": _on_text(lambda text, part: text.find(part)),
    "substring": _on_text(_substring),
    "length": _on_text(len),
    "lower": _on_text(str.lower),
    "upper": _on_text(str.upper),
    "trim": _on_text(str.strip),
    "split": _on_text(lambda text, separator: text.split(separator)),
    "toChars": _on_text(list),
    "toString": _on_text(str),
    "toInteger": _on_text(_integer),
    "toDecimal": _on_text(_decimal),
    "toBoolean": _on_text(_boolean),
    "convertsToInteger": _on_text(lambda text: _integer(text) is not None),
    "convertsToDecimal": _on_text(lambda text: _decimal(text) is not None),
    "abs": lambda context, found: _of(abs(single(found).value)) if found else [],
    "join": lambda context, found, *by: _of((text_of(by[0]) if by else "").join(text_of([item]) for item in found)),
}
