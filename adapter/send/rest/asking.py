"""Searches by identifier, several in one request where the server takes that (FHIR R4 http.html 3.1.0.11)."""

from __future__ import annotations

from collections.abc import Sequence
from uuid import uuid4

from adapter.fhir import search_token
from adapter.fhir.identity import in_url
from adapter.fhir.json import Json
from adapter.send.rest import answers
from adapter.send.rest.answers import ServerRefused
from adapter.send.rest.capability import Mode
from adapter.send.rest.client import FhirClient

Token = tuple[str, str]
Question = tuple[str, tuple[Token, ...]]
"""A resource type, and the identifiers (system and value) of which a resource must have one."""

_LATER = frozenset({401, 408, 425, 429})


class Asking:
    """Finds resources by identifier; what one request answered is not asked again."""

    def __init__(self, client: FhirClient, asks_in: Mode | None = None) -> None:
        self._client, self._asks_in = client, asks_in
        self._known: dict[Question, list[Json]] = {}
        self.any_there = False

    def ask(self, questions: Sequence[Question], whether: Question | None = None) -> None:
        """All of them at once where that spares a request; what is not answered so is asked when it is needed.

        ``whether``: with them, and never in a request of its own, it is asked whether there is any such resource.
        """
        questions = list(dict.fromkeys(questions))
        urls = [_unasked(*question) for question in questions]
        if whether is not None:
            urls.append(f"{_unasked(*whether)}&_count=1")
        if self._asks_in is None or len(urls) < 2:
            return
        try:
            found = self._client.read_several(urls, self._asks_in)
        except ServerRefused as refused:
            if refused.status in _LATER or refused.status > 501:
                raise
            return  # a server that takes no searches in a Bundle, or not from us; alone they say whether it is well
        if whether is not None:
            status, page = found.pop()
            self.any_there = status == 200 and any(
                answers.object_(entry.get("resource")).get("resourceType") == whether[0]
                for entry in answers.objects(page.get("entry"))
            )
        for question, (status, page) in zip(questions, found, strict=True):
            further = any(link.get("relation") == "next" for link in answers.objects(page.get("link")))
            if status == 200 and page.get("resourceType") == "Bundle" and not further:
                entries = answers.objects(page.get("entry"))
                resources = answers.objects([entry.get("resource") for entry in entries])
                self._known[question] = [one for one in resources if one.get("resourceType") == question[0]]

    def of(self, kind: str, tokens: Sequence[Token]) -> list[Json]:
        """The resources of a type that carry one of the identifiers; what else a search may say is left."""
        question = kind, tuple(tokens)
        if question not in self._known:
            criteria = ",".join(search_token(*token) for token in question[1])
            self._known[question] = list(self._client.search(kind, {"identifier": criteria}))
        return [one for one in self._known[question] if set(question[1]) & tokens_of(one)]


def name_of(resource: Json) -> Token:
    """The identifier by which a resource of ours is created: its first."""
    first = resource["identifier"][0]
    return first["system"], first["value"]


def tokens_of(resource: Json) -> set[Token]:
    """The identifiers of a resource, system and value."""
    return {
        (answers.text(one, "system"), answers.text(one, "value"))
        for one in answers.objects(resource.get("identifier"))
    }


def _unasked(kind: str, tokens: tuple[Token, ...]) -> str:
    """The search, or for an identifier that nobody has: no server was ever asked just this. There are servers that
    answer a search within a batch with what they found for the same one up to a minute ago (HAPI FHIR 8.8.0)."""
    asked = [*tokens, (f"urn:uuid:{uuid4()}", "nobody")]
    return f"{kind}?identifier=" + ",".join(f"{in_url(system)}%7C{in_url(value)}" for system, value in asked)
