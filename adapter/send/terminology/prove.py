"""The proof of a catalogue: every code that a site may send, asked of a server, judged by its roles."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from adapter.catalogue import Catalogue
from adapter.catalogue.proof import CodeFault, Edition, Proof, ProvedCode, Verdict
from adapter.catalogue.uses import Use, uses
from adapter.problems import Severity
from adapter.send.terminology import judge
from adapter.send.terminology.asking import Reply, Terminology
from adapter.send.terminology.questions import (
    POSSIBLY,
    REPLACED_BY,
    SAME_AS,
    first,
    in_value_set,
    lookup,
    parameters,
    part,
    translate,
    validate_code,
)

_Key = tuple[str, str]
_GRAMMARS = ("ucum",)
"""Systems whose codes are made by a grammar: nobody lists them, so they are only validated."""

LOINC_LISTS = "http://loinc.org/vs/"
"""Implicit value sets of LOINC answer lists (FHIR R4, loinc.html)."""


def prove(catalogue: Catalogue, terminology: Terminology) -> Proof:
    """Ask of every code what its roles demand. Raises what the server's client raises."""
    return _Run(catalogue, terminology).proof()


@dataclass(slots=True)
class _Run:
    catalogue: Catalogue
    terminology: Terminology
    by_code: dict[_Key, list[Use]] = field(default_factory=dict)
    replies: dict[_Key, Reply] = field(default_factory=dict)

    def proof(self) -> Proof:
        for use in uses(self.catalogue):
            self.by_code.setdefault((use.system, use.code), []).append(use)
        keys = list(self.by_code)
        self.replies = dict(zip(keys, self.terminology.ask([self._question(*key) for key in keys]), strict=True))
        held = {key[0] for key, reply in self.replies.items() if reply.answered and self._is_known(key)}
        words, instead, strangers = self._words(), self._instead(), self._strangers()
        codes = [
            self._proved(key, key[0] in held, words, instead.get(key, ()), strangers.get(key, ())) for key in keys
        ]
        return Proof(
            made=self.terminology.asked_at,
            server=self.terminology.server,
            software=self.terminology.software,
            catalogue=self.catalogue.settings.version,
            editions={system: self._edition(system) for system in dict.fromkeys(key[0] for key in keys)},
            codes=tuple(codes),
        )

    def _question(self, system: str, code: str) -> str:
        ask = validate_code if system in _GRAMMARS else lookup
        return ask(self.catalogue.uri(system), code, self.catalogue.systems[system].version)

    def _is_known(self, key: _Key) -> bool:
        """A ``$validate-code`` is answered with 200 and a result, whatever it is."""
        return key[0] not in _GRAMMARS or str(first(self.replies[key].resource, "result")).lower() == "true"

    def _edition(self, system: str) -> Edition:
        """The version that the server names in its answers, all of them where they differ."""
        told = (first(reply.resource, "version") for key, reply in self.replies.items() if key[0] == system)
        versions = list(dict.fromkeys(str(version) for version in told if version))
        wanted = self.catalogue.systems[system].version
        return Edition(uri=self.catalogue.uri(system), version=", ".join(versions) or wanted)

    def _words(self) -> dict[str, str]:
        """The words of LOINC parts that stand in answers by their code alone."""
        parts = [one for key in self._answered("loinc") for one in judge.unnamed_parts(self.replies[key].resource)]
        known = list(dict.fromkeys(parts))
        replies = self.terminology.ask([lookup(self.catalogue.uri("loinc"), one) for one in known]) if known else []
        shown = {one: first(reply.resource, "display") for one, reply in zip(known, replies, strict=True)}
        return {one: str(name) for one, name in shown.items() if name}

    def _instead(self) -> Mapping[_Key, tuple[str, ...]]:
        """What stands in the place of each inactive code."""
        found: dict[_Key, tuple[str, ...]] = {}
        for key in self._answered("loinc"):
            found[key] = tuple(judge.replacements(self.replies[key].resource))
        inactive = [key for key in self._answered("snomed") if judge.is_inactive(self.replies[key].resource)]
        uri = self.catalogue.uri("snomed") if inactive else ""
        asked = [(key, one) for key in inactive for one in (SAME_AS, REPLACED_BY, POSSIBLY)]
        replies = self.terminology.ask([translate(one, uri, key[1], uri) for key, one in asked]) if asked else []
        for (key, _), reply in zip(asked, replies, strict=True):
            targets = (part(match, "concept") for match in parameters(reply.resource, "match"))
            named = (f"{t.get('code')} |{t.get('display', '')}|" for t in targets if isinstance(t, dict))
            found[key] = tuple(dict.fromkeys((*found.get(key, ()), *named)))
        return found

    def _strangers(self) -> Mapping[_Key, list[CodeFault]]:
        """LOINC answers that the lists of their question do not have, as far as the server knows these."""
        lists = {key[1]: judge.answer_lists(self.replies[key].resource) for key in self._answered("loinc")}
        uri = self.catalogue.uri("loinc")
        asked = [
            (key, question, one)
            for key, several in self.by_code.items()
            for question in dict.fromkeys(question for use in several for question in use.of)
            for one in lists.get(question, ())
        ]
        replies = self.terminology.ask([in_value_set(f"{LOINC_LISTS}{one}", uri, key[1]) for key, _, one in asked])
        told: dict[tuple[_Key, str], list[bool]] = {}
        for (key, question, _), reply in zip(asked, replies, strict=True):
            result = str(first(reply.resource, "result")).lower()
            if result in ("true", "false"):
                told.setdefault((key, question), []).append(result == "true")
        known = {question for (_, question), results in told.items() if any(results)}
        found: dict[_Key, list[CodeFault]] = {}
        for (key, question), results in told.items():
            if not any(results):
                found.setdefault(key, []).append(_stranger(question, lists[question], question in known))
        return found

    def _answered(self, system: str) -> list[_Key]:
        return [key for key, reply in self.replies.items() if key[0] == system and reply.answered]

    def _proved(
        self, key: _Key, held: bool, words: dict[str, str], instead: Sequence[str], strangers: Iterable[CodeFault]
    ) -> ProvedCode:
        several, reply = self.by_code[key], self.replies[key]
        name = None
        if not reply.answered or not self._is_known(key):
            findings = [_unanswered(reply, held, self.catalogue.systems[key[0]].label)]
        elif key[0] in _GRAMMARS:
            findings = []
        else:
            name = judge.preferred(reply.resource)
            findings = [*judge.judged(several, reply.resource, instead, words), *strangers]
        return ProvedCode(
            system=key[0],
            code=key[1],
            display=next((use.display for use in several if use.display), None),
            roles=tuple(dict.fromkeys(use.role for use in several)),
            places=tuple(dict.fromkeys(use.where for use in several)),
            verdict=_verdict(findings),
            name=name,
            findings=tuple(findings),
        )


def _stranger(question: str, lists: Sequence[str], known: bool) -> CodeFault:
    """An answer that is in no list of its question: wrong only where the server has another answer of it in one. A
    server that does not hold a list may say the same of all (HAPI FHIR does)."""
    named = f"LOINC {question} ({', '.join(lists)})"
    if known:
        what, remedy = f"it is in no answer list of {named}", "an answer of that list, or our own code alone"
        return CodeFault(rule="not-in-answer-list", severity=Severity.ERROR, what=what, remedy=remedy)
    what, remedy = f"the server has no answer of ours in a list of {named}", "a server that holds the list; or look"
    return CodeFault(rule="answer-list-not-held", severity=Severity.WARNING, what=what, remedy=remedy)


def _unanswered(reply: Reply, held: bool, label: str) -> CodeFault:
    """A code without an answer: wrong only where the server has others of its system and not this one."""
    if held and (reply.status in (400, 404, 422) or reply.answered):
        what, remedy = f"{label} of this server has no such code", "another code, or none"
        return CodeFault(rule="unknown-code", severity=Severity.ERROR, what=what, remedy=remedy)
    if reply.status == 0:
        what, remedy = "it was not asked when this was recorded", "ask the server anew"
        return CodeFault(rule="not-asked", severity=Severity.WARNING, what=what, remedy=remedy)
    ill = held or reply.status >= 500
    what = f"the server could not say (status {reply.status})" if ill else f"the server holds no {label}"
    rule, remedy = "not-answered" if ill else "system-not-held", f"a server that holds {label}"
    return CodeFault(rule=rule, severity=Severity.WARNING, what=what, remedy=remedy)


_UNPROVED = ("not-asked", "not-answered", "system-not-held")


def _verdict(findings: Sequence[CodeFault]) -> Verdict:
    severities = {finding.severity for finding in findings}
    if Severity.ERROR in severities:
        return Verdict.FAILED
    if any(finding.rule in _UNPROVED for finding in findings):
        return Verdict.UNPROVED
    return Verdict.DOUBTFUL if Severity.WARNING in severities else Verdict.PROVED
