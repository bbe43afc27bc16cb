"""What the page shows of an exam, taken from its FHIR resources alone.

Absent is never shown as normal: what was not examined keeps its reason, what has no judgement says so, and what
the kind of exam expects and the exam does not hold is listed as not recorded, where the exam can be read back.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cache
from typing import Any

from adapter.catalogue import Catalogue
from adapter.catalogue.languages import WORDS, shipped_languages
from adapter.catalogue.words import words_of
from adapter.fhir.json import Json, decimal_text
from adapter.read import completeness
from adapter.read.bundle import from_bundle

SIDES = ("left", "right")
_NOT_EXAMINED = ("cancelled", "registered")

# HL7 v3 ObservationInterpretation: abnormal, critical, high and low.
_ABNORMAL = frozenset({"A", "AA", "H", "HH", "L", "LL", "HU", "LU"})


@dataclass(frozen=True, slots=True)
class Cell:
    """One Observation: its value in words, or why there is none.

    ``meaning`` is expected, variant, abnormal, or empty where nothing judges it; ``flag`` the standard's word
    beside it (High, Low); ``absent`` the reason for not examining; ``remarks`` site, state, notes and so on.
    """

    value: str
    meaning: str = ""
    flag: str = ""
    absent: str | None = None
    status: str = "final"
    remarks: tuple[str, ...] = ()


@dataclass(slots=True)
class PageLine:
    """What was asked, and the answers: of one side each, or of no side."""

    label: str
    cells: dict[str, list[Cell]] = field(default_factory=dict)


@dataclass(slots=True)
class Section:
    """A region of the body: its lines, and what is missing from it."""

    title: str
    lines: list[PageLine]
    not_recorded: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class ShownExam:
    """An exam. ``tells`` are what must be told, each with its name in ``TELLS``; ``complete_known`` says whether it
    could be found out what was not recorded."""

    title: str
    status: str
    when: str
    by: str
    id: str
    tells: tuple[tuple[str, str], ...]
    remarks: tuple[str, ...]
    sections: tuple[Section, ...]
    complete_known: bool

    def count(self, *, absent: bool) -> int:
        """How many findings were recorded, or not examined."""
        cells = [c for s in self.sections for line in s.lines for found in line.cells.values() for c in found]
        return sum((cell.absent is not None) == absent for cell in cells)

    @property
    def missing(self) -> int:
        """How many were not recorded."""
        return sum(len(section.not_recorded) for section in self.sections)


def exam_view(report: Json, around: Sequence[Json], catalogue: Catalogue) -> ShownExam:
    """The exam of a DiagnosticReport; ``around`` are the resources that it leads to, as the server holds them."""
    held = {f"{r['resourceType']}/{r['id']}": r for r in (report, *around)}
    sections, keys = [], []
    for panel in _follow(report.get("result"), held):
        members = _follow(panel.get("hasMember"), held)
        sections.append(Section(words(panel.get("code")), lines_of(members or [panel])))
        keys.append(_own_code(panel.get("code"), catalogue.uri("region")))
    gaps = _gaps(list(held.values()), catalogue)
    for gap in gaps or ():
        region, what = gap
        if region not in keys:
            keys.append(region)
            sections.append(Section(catalogue.regions[region].label, []))
        sections[keys.index(region)].not_recorded.append(what)
    told, remarks = _conclusion(report.get("conclusion", ""))
    period = report.get("effectivePeriod", {})
    return ShownExam(
        title=words(report.get("code")),
        status=report.get("status", "unknown"),
        when=moment(report.get("effectiveDateTime") or period.get("start") or ""),
        by=", ".join(p.get("display", p.get("reference", "")) for p in report.get("performer", [])),
        id=next((i.get("value", "") for i in reversed(report.get("identifier", []))), report["id"]),
        tells=told,
        remarks=remarks,
        sections=tuple(sections),
        complete_known=gaps is not None,
    )


def lines_of(observations: Iterable[Json]) -> list[PageLine]:
    """Observations by their question, those of the two sides in one line."""
    lines: dict[str, PageLine] = {}
    for observation in observations:
        label = words(observation.get("code"))
        details = _details(observation)
        side = _first_code(details.get("side"))
        line = lines.setdefault(label, PageLine(label))
        line.cells.setdefault(side if side in SIDES else "", []).append(_cell(observation, details))
    return list(lines.values())


def words(concept: Mapping[str, Any] | None) -> str:
    """A CodeableConcept in words: its text, else a display, else a code."""
    if not concept:
        return "(no code)"
    codings = concept.get("coding", [])
    shown = concept.get("text") or next((c["display"] for c in codings if "display" in c), "")
    return str(shown or next((c["code"] for c in codings if "code" in c), "(no code)"))


def moment(text: str) -> str:
    """A dateTime for people: to the minute, its offset kept."""
    if "T" not in text:
        return text or "no time"
    date, _, time = text.partition("T")
    zone = next((time[at:] for at in range(len(time)) if time[at] in "Z+-"), "")
    return f"{date} {time[:5]} {'UTC' if zone == 'Z' else zone}".strip()


def _cell(observation: Json, details: Mapping[str, Json]) -> Cell:
    status = observation.get("status", "unknown")
    remarks = [f"{words(d.get('code'))}: {_value(d)}" for name, d in details.items() if name != "side"]
    if "bodySite" in observation:
        remarks.insert(0, words(observation["bodySite"]))
    remarks += [note.get("text", "") for note in observation.get("note", [])]
    if "dataAbsentReason" in observation or status in _NOT_EXAMINED:
        reason = observation.get("dataAbsentReason")
        why = words(reason) if reason else "no reason given"
        return Cell(
            "",
            absent=why + (" (put off to a later exam)" if status == "registered" else ""),
            status=status,
            remarks=tuple(remarks),
        )
    meaning, flag = _meaning(observation.get("interpretation", []))
    return Cell(_value(observation) or "no value", meaning, flag, None, status, tuple(filter(None, remarks)))


def _value(holder: Mapping[str, Any]) -> str:
    """The value[x] of an Observation or a component, with its components that are no details."""
    parts = [_shown(key, value) for key, value in holder.items() if key.startswith("value")]
    parts += [
        f"{words(c.get('code'))}: {_value(c) or 'no value'}" for c in holder.get("component", []) if not _is_detail(c)
    ]
    return "; ".join(part for part in parts if part)


def _shown(key: str, value: Any) -> str:
    if key == "valueCodeableConcept":
        return words(value)
    if key == "valueQuantity":
        unit = value.get("unit") or value.get("code", "")
        return f"{value.get('comparator', '')}{_digits(value.get('value', '?'))} {unit}".strip()
    if key == "valueDateTime":
        return moment(value)
    return _digits(value) if isinstance(value, (str, int, Decimal)) else "(a value that is not shown here)"


def _digits(value: Any) -> str:
    return (
        decimal_text(value)
        if isinstance(value, Decimal)
        else str(value).lower()
        if value in (True, False)
        else str(value)
    )


def _meaning(interpretations: Sequence[Json]) -> tuple[str, str]:
    """What a finding means, and the standard's word where it says more than that."""
    codings = [coding for concept in interpretations for coding in concept.get("coding", [])]
    own = next((c["code"] for c in codings if c.get("system", "").endswith("/CodeSystem/finding-meaning")), "")
    standard: Json = next((c for c in codings if c.get("system", "").endswith("ObservationInterpretation")), {})
    code = standard.get("code", "")
    meaning = own or ("expected" if code == "N" else "abnormal" if code in _ABNORMAL else "")
    return str(meaning), "" if code in ("N", "A") else str(standard.get("display", code))


def _details(observation: Json) -> dict[str, Json]:
    """How a finding was made, by the detail's code: from components, or from an extension on vital signs."""
    found = {_first_code(c.get("code")): c for c in observation.get("component", []) if _is_detail(c)}
    for extension in observation.get("extension", []):
        if extension.get("url", "").endswith("/StructureDefinition/finding-detail"):
            parts = {part.get("url"): part for part in extension.get("extension", [])}
            code, value = parts.get("code", {}).get("valueCodeableConcept"), parts.get("value", {})
            found[_first_code(code)] = {"code": code, **{k: v for k, v in value.items() if k.startswith("value")}}
    return found


def _is_detail(component: Json) -> bool:
    return any(
        c.get("system", "").endswith("/CodeSystem/exam-detail") for c in component.get("code", {}).get("coding", [])
    )


def _first_code(concept: Json | None) -> str:
    """The last code of a concept, which is our own; of a detail, that of its value."""
    value = (concept or {}).get("valueCodeableConcept", concept) or {}
    return next((str(c["code"]) for c in reversed(value.get("coding", [])) if "code" in c), "")


def _own_code(concept: Json | None, system: str) -> str:
    return next((c["code"] for c in (concept or {}).get("coding", []) if c.get("system") == system), "")


TELLS = {"Tell now": "now", "Tell this shift": "soon", "Tell": "next", "Still to do": "todo"}
"""The lines of a conclusion by how soon, and what this page calls them."""
_KEYS = {"now": "tell_now", "soon": "tell_soon", "next": "tell", "todo": "none"}


@cache
def tell_marks() -> dict[str, str]:
    """How a line of a conclusion begins, in each language that is shipped, and what this page calls it."""
    lists = (words_of(language, ())[0] for language in shipped_languages(WORDS))
    return {
        words.say("is", what=words.say(f"tell.line.{key}"), value=""): name
        for words in lists
        for name, key in _KEYS.items()
    }


def _conclusion(text: str) -> tuple[tuple[tuple[str, str], ...], tuple[str, ...]]:
    """What must be told, and the rest, from a report's conclusion, a line each."""
    told, rest = [], []
    for line in text.splitlines():
        mark = next((mark for mark in tell_marks() if line.startswith(mark)), None)
        if mark is None:
            rest.append(line)
        else:
            told.append((tell_marks()[mark], line.removeprefix(mark)))
    return tuple(told), tuple(rest)


def _gaps(resources: Sequence[Json], catalogue: Catalogue) -> list[tuple[str, str]] | None:
    """Region and words of each item not recorded; None where the exam is not one of this catalogue."""
    entries = [{"fullUrl": f"{r['resourceType']}/{r['id']}", "resource": r} for r in resources]
    try:
        exams = from_bundle({"resourceType": "Bundle", "type": "collection", "entry": entries}, catalogue)
    except (ValueError, LookupError, TypeError, AttributeError):
        return None  # somebody else's report may have any shape
    return (
        [(gap.region, gap.said(catalogue)) for exam in exams for gap in completeness(exam, catalogue)]
        if exams
        else None
    )


def _follow(references: Any, held: Mapping[str, Json]) -> list[Json]:
    wanted = ("/".join(r.get("reference", "").split("/")[-2:]) for r in references or [])
    return [held[name] for name in wanted if name in held]
