"""Which lines of a list rest on what a clinician of the site has signed, for the catalogue that is in force."""

from __future__ import annotations

from collections.abc import Iterable

from adapter.catalogue import Catalogue, Signature, Signed, signature_for
from adapter.derive.tell import Tell


def signable(line: Tell, catalogue: Catalogue) -> tuple[Signed, str] | None:
    """What of the catalogue put a line on the list; None where an examiner, a comparison or a site's table did."""
    if line.rule in catalogue.rules:
        return "rules", line.rule
    if line.rule.startswith(f"{line.item.id}["):
        return "ranges", line.item.id
    return ("answers", line.item.id) if line.rule.startswith(f"{line.item.id}.") else None


def signature(line: Tell, catalogue: Catalogue) -> Signature | None:
    """The signature for this version of the catalogue; None where there is none, or only one for another."""
    of = signable(line, catalogue)
    return of and signature_for(catalogue.signatures.values(), *of, catalogue.settings.version)


def signed_in_words(lines: Iterable[Tell], catalogue: Catalogue) -> str:
    """How many of these lines nobody has signed here for this catalogue; empty where there is nothing to sign."""
    asked = [line for line in lines if signable(line, catalogue) is not None]
    missing = sum(signature(line, catalogue) is None for line in asked)
    key = "signed.all" if not missing else "signed.missing"
    version = catalogue.settings.version
    return catalogue.words.say(key, count=missing, of=len(asked), catalogue=version) if asked else ""
