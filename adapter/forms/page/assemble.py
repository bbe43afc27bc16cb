"""One HTML file out of the page's sources and the catalogue's data."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import re
from functools import cache
from html import escape
from importlib.resources import files
from importlib.resources.abc import Traversable

from adapter.catalogue import Catalogue
from adapter.forms.page.data import page_data

_IMPORT = re.compile(r'^import (?:\{[^}]*\} from )?"\./([a-z_]+\.mjs)";\n', re.MULTILINE)
_EXPORT = re.compile(r"^export (?=const (\w+))", re.MULTILINE)


def to_page(catalogue: Catalogue, kind: str | None = None, *, served: bool = False, ward: bool = False) -> bytes:
    """The bedside page for a catalogue, UTF-8; without ``kind`` the examiner chooses the kind of exam on it.

    ``served``: the page posts each record to the relative address ``records`` and shows the answer; else it saves
    files only; with ``ward`` it asks there for the newborns as well.
    Raises :class:`KeyError` for a kind that the catalogue does not have.
    """
    style, script = _style(), _script()
    words = catalogue.words
    data = json.dumps(page_data(catalogue, kind, served=served, ward=ward), ensure_ascii=False, separators=(",", ":"))
    build = hashlib.sha256("".join((style, script, data)).encode()).hexdigest()[:16]
    policy = "; ".join(
        (
            "default-src 'none'",
            f"script-src {_hash(script)}",
            f"style-src {_hash(style)}",
            *([f"{what}-src 'self'" for what in _OF_SERVER] if served else ["connect-src 'none'"]),
            "base-uri 'none'",
            "form-action 'none'",
        )
    )
    return (
        "<!DOCTYPE html>\n"
        f'<html lang="{words.language}" data-build="{build}">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"<title>{escape(words.say('page.title'))}</title>\n"
        f"{_INSTALLED if served else ''}<style>{style}</style>\n</head>\n"
        '<body>\n<div id="page"></div>\n'
        f'<script type="application/gzip" id="catalogue">{_packed(data)}</script>\n'
        f"<script>{script}</script>\n"
        # seen where the script does not run, or did not come to its first view
        f'<p id="unable">{escape(words.say("page.unable"))}</p>\n</body>\n</html>\n'
    ).encode()


_OF_SERVER = ("connect", "manifest", "worker", "img")
_INSTALLED = (
    '<link rel="manifest" href="manifest.webmanifest" crossorigin="use-credentials">\n'
    '<link rel="icon" href="icon.svg">\n'
)


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _packed(data: str) -> str:
    """Text as gzip (RFC 1952) in base64: a third of its size, and nothing that HTML could end or open anything in
    (HTML standard, 4.12.1.3, restrictions of script content). The page reads it with the browser's own
    DecompressionStream (Compression standard)."""
    return base64.b64encode(gzip.compress(data.encode(), mtime=0)).decode()


def _sources(folder: str, ending: str) -> dict[str, str]:
    place: Traversable = files("adapter.forms.page") / folder
    named = ((entry.name, entry) for entry in place.iterdir() if entry.name.endswith(ending))
    return {name: entry.read_text(encoding="utf-8") for name, entry in sorted(named)}


@cache
def _style() -> str:
    """All style sheets in the order of their names, without comments and indentation."""
    joined = "".join(_sources("style", ".css").values())
    plain = re.sub(r"/\*.*?\*/", "", joined, flags=re.DOTALL)
    return re.sub(r"\s*\n\s*", "", plain).replace(": ", ":").replace(" {", "{").replace(";}", "}")


@cache
def _script() -> str:
    """All modules as one script: each after those it imports, in a scope of its own, what it exports outside it."""
    sources = _sources("script", ".mjs")
    order: dict[str, None] = {}

    def visit(name: str) -> None:
        for needed in _IMPORT.findall(sources[name]):
            if needed not in order:
                visit(needed)
        order.setdefault(name)

    visit("main.mjs")
    body = "".join(_scoped(sources[name]) for name in order)
    script = f'"use strict";(()=>{{\n{body}}})();'
    assert "</script" not in script, "the script would end itself"
    assert "<!--" not in script, "the script would open a comment"
    return script


def _scoped(source: str) -> str:
    body = _shortened(_EXPORT.sub("", _IMPORT.sub("", source)))
    names = ",".join(_EXPORT.findall(source))
    return f"const {{{names}}}=(()=>{{\n{body}return {{{names}}}}})();\n"


def _shortened(source: str) -> str:
    """Without comment lines and indentation; text over several lines is not used in the sources."""
    lines = (line.strip() for line in source.splitlines())
    return "".join(f"{line}\n" for line in lines if line and not line.startswith(("//", "/*", "*")))


__all__ = ["to_page"]
