"""Codes of the code systems that packages define in full: a code that is none of theirs is wrong wherever it stands.

FHIR R4 CodeSystem (section 4.8): a system whose ``content`` is ``complete`` holds every code that there is.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from difflib import get_close_matches

from adapter.problems import Layer, Problem, Severity
from adapter.validate.packages.load import Packages
from adapter.validate.walk import ElementNode, text


def check_codes(nodes: Iterable[ElementNode], packages: Packages) -> Iterator[Problem]:
    """Yield each coding whose code its package's code system does not have, or has under another display."""
    if not packages.code_systems:
        return
    for node in nodes:
        if node.type != "Coding":
            continue
        system, code = text(node.value, "system"), text(node.value, "code")
        known = packages.defined(system)
        if known is None or not code:
            continue
        if code not in known:
            near = get_close_matches(code, list(known), 3, 0.6)
            remedy = f"did you mean {', '.join(near)}?" if near else f"a code of {system}"
            yield Problem(
                Severity.ERROR, Layer.PROFILES, "code-unknown", f"'{code}' is no code of {system}", remedy,
                where=node.where, section="FHIR R4 CodeSystem (codesystem.html)",
            )  # fmt: skip
        elif (display := text(node.value, "display")) and known[code] and display not in known[code]:
            yield Problem(
                Severity.WARNING, Layer.PROFILES, "display-differs", f"'{code}' is not called so in {system}",
                f"'{known[code][0]}'", where=node.where, section="FHIR R4 Data Types (datatypes.html#Coding)",
            )  # fmt: skip
