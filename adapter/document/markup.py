"""HTML that is escaped unless it was made here: text from a resource cannot become markup.

What it writes is well-formed XML too, so that it serves pages and the XHTML of narratives alike.
"""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

_VOID = frozenset({"br", "col", "link", "meta"})


class Html(str):
    """Markup, as opposed to text."""

    __slots__ = ()


Child = str | None | Iterable["Child"]


def tag(name: str, /, *children: Child, **attributes: str | None) -> Html:
    """An element; text among the children and attributes is escaped, None is left out.

    ``class_`` is written ``class``; attributes are otherwise named as in HTML, with ``_`` for a hyphen.
    """
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    if name in _VOID:
        return Html(f"<{name}{written}/>")
    return Html(f"<{name}{written}>{joined(*children)}</{name}>")


def joined(*children: Child) -> Html:
    """Children one after the other."""
    return Html("".join(_written(child) for child in children))


def _written(child: Child) -> str:
    if child is None:
        return ""
    if isinstance(child, Html):
        return child
    if isinstance(child, str):
        return escape(child)
    return "".join(_written(one) for one in child)
