"""What lets the served page be installed and opened again without network: a web app manifest (W3C Web Application
Manifest), its sign, and a service worker (W3C Service Workers), which browsers take over https or from loopback.
"""

from __future__ import annotations

import hashlib
import json
from importlib.resources import files

from adapter.catalogue import Words

_GROUND = "#f5f1e4"
_ICON = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 64 64"><rect width="64" height="64" fill="#2c2820"/>'
    f'<path d="M16 20h32M16 32h20M16 44h26" stroke="{_GROUND}" stroke-width="6" stroke-linecap="round"/></svg>'
)


def offline_files(page: bytes, words: Words) -> dict[str, tuple[str, bytes]]:
    """Path, media type and content of each, in these words; the worker is another one whenever the page is."""
    worker = (files("adapter.forms.serve") / "worker.js").read_text(encoding="utf-8")
    build = hashlib.sha256(page).hexdigest()[:16]
    manifest = {
        "lang": words.language,
        "name": words.say("page.title"),
        "short_name": words.say("page.short_title"),
        "start_url": "./",
        "scope": "./",
        "display": "standalone",
        "background_color": _GROUND,
        "theme_color": _GROUND,
        "icons": [{"src": "icon.svg", "sizes": "any", "type": "image/svg+xml", "purpose": "any"}],
    }
    return {
        "/manifest.webmanifest": ("application/manifest+json", json.dumps(manifest).encode()),
        "/icon.svg": ("image/svg+xml", _ICON.encode()),
        "/worker.js": ("text/javascript", worker.replace("BUILD", build).encode()),
    }
