"""The page as HTML: what must be told on top, sides side by side, absent apart from normal."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from adapter.catalogue import Catalogue
from adapter.document.markup import Child, Html, joined, tag
from adapter.fhir.json import Json
from adapter.sandbox.page.shown import ShownNewborn, ShownRow
from adapter.sandbox.page.view import (
    SIDES,
    TELLS,
    Cell,
    PageLine,
    Section,
    ShownExam,
    exam_view,
    lines_of,
    moment,
    tell_marks,
)

_BIRTH_TIME = "http://hl7.org/fhir/StructureDefinition/patient-birthTime"
_MEANINGS = {"expected": "expected", "variant": "variant", "abnormal": "▲ abnormal"}


def index(rows: Sequence[ShownRow], further: int | None) -> Html:
    """The list of newborns."""
    head = tag("thead", tag("tr", [tag("th", title) for title in ("ShownNewborn", "Born", "Exams", "To be told")]))
    table = tag("table", head, tag("tbody", [_row(row) for row in rows]))
    return _document(
        "Newborns on this test server",
        tag("h1", "Newborns on this test server"),
        table if rows else tag("p", "Nothing has been sent here yet.", class_="none"),
        tag("p", tag("a", "Further newborns", href=f"/?after={further}")) if further else None,
    )


def newborn_page(newborn: ShownNewborn, catalogue: Catalogue) -> Html:
    """One newborn and her exams, the latest first."""
    exams = [exam_view(report, around, catalogue) for report, around in newborn.exams]
    others = lines_of(newborn.others)
    name = _name(newborn.patient)
    return _document(
        name,
        tag("p", tag("a", "All newborns", href="/")),
        tag("h1", name),
        tag("p", ", ".join(_facts(newborn.patient)), class_="facts"),
        [_exam(exam) for exam in exams],
        None if exams else tag("p", "No exam of this newborn is here.", class_="none"),
        tag("section", tag("h2", "Observations of no exam"), _table(others), class_="exam") if others else None,
    )


def message(text: str) -> Html:
    """A page that only says something."""
    return _document("Test server", tag("p", text, class_="none"))


def _document(title: str, *content: Child) -> Html:
    head = tag(
        "head",
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("title", f"TEST: {title}"),
        tag("link", rel="stylesheet", href="/style.css"),
    )
    banner = tag(
        "div",
        "TEST SERVER: nothing here is about a real patient, nothing here may guide care",
        tag(
            "small",
            "Sandbox of the newborn exam adapter, on this machine only; all of it may be thrown away at any time.",
        ),
        class_="banner",
        role="alert",
    )
    footer = tag(
        "footer",
        "Shown as the server holds it, read only. Left and right are the infant's own. Not examined and not recorded"
        " are not normal. What must be told is a list for a licensed person, not a diagnosis; local policy decides.",
    )
    return tag("html", head, tag("body", banner, tag("main", *content), footer), lang="en")


_IN_A_ROW = {"now": "now", "soon": "this shift", "next": "next round", "todo": "still to do"}


def _row(row: ShownRow) -> Html:
    told = [report.get("conclusion", "") for report in row.reports if report.get("status") != "entered-in-error"]
    lines = [line for text in told for line in text.splitlines()[1:]]
    found = Counter(name for line in lines for mark, name in tell_marks().items() if line.startswith(mark))
    words = ", ".join(f"{found[name]} {word}" for name, word in _IN_A_ROW.items() if found[name])
    link = tag("a", _name(row.patient), href=f"/newborns/{row.patient['id']}")
    cells = (link, _born(row.patient), str(len(row.reports)), words or "nothing marked")
    return tag("tr", [tag("td", cell) for cell in cells])


def _exam(exam: ShownExam) -> Html:
    status = (
        None if exam.status == "final" else tag("span", exam.status.replace("-", " "), class_=f"status {exam.status}")
    )
    missing = f"{exam.missing} not recorded" if exam.complete_known else "what was not recorded cannot be told"
    counts = f"{exam.count(absent=False)} recorded, {exam.count(absent=True)} not examined, {missing}"
    told = [
        tag("li", tag("b", next(word for word, known in TELLS.items() if known == urgency)), text, class_=urgency)
        for urgency, text in exam.tells
    ]
    return tag(
        "section",
        tag("h2", f"{exam.title}, {exam.when} ", status),
        tag("ul", told, class_="tell")
        if told
        else tag("p", "Nothing is marked to be told. That does not say that all is normal.", class_="none"),
        tag("p", f"{counts}. Examined by {exam.by or 'nobody named'}; exam {exam.id}.", class_="counts"),
        [_section(section) for section in exam.sections],
        tag("p", [joined(line, tag("br")) for line in exam.remarks], class_="counts"),
        class_="exam retracted" if exam.status == "entered-in-error" else "exam",
    )


def _section(section: Section) -> Html:
    gaps = None
    if section.not_recorded:
        gaps = tag("p", tag("b", "Not recorded: "), ", ".join(section.not_recorded), class_="gap")
    return joined(tag("h3", section.title), _table(section.lines) if section.lines else None, gaps)


def _table(lines: Sequence[PageLine]) -> Html:
    head = tag("tr", tag("th", "Finding", scope="col"), tag("th", "What was found", scope="col", colspan="2"))
    return tag("table", tag("thead", head), tag("tbody", map(_line, lines)), class_="findings")


def _line(line: PageLine) -> list[Html]:
    """One row; a second where a finding has answers of a side and of none.

    The side stands in each cell, not over a column: else what has no side would stand under one.
    """
    rows = []
    whole = line.cells.get("")
    if whole:
        rows.append(tag("tr", _label(line), tag("td", map(_cell, whole), colspan="2")))
    if any(side in line.cells for side in SIDES):
        rows.append(tag("tr", _label(line), [_side(line, side) for side in SIDES]))
    return rows


def _side(line: PageLine, side: str) -> Html:
    nothing = tag("span", "no answer for this side", class_="empty")
    found = list(map(_cell, line.cells[side])) if side in line.cells else nothing
    return tag("td", tag("span", side, class_="side"), found)


def _label(line: PageLine) -> Html:
    return tag("th", line.label, scope="row")


def _cell(cell: Cell) -> Html:
    remarks = [tag("span", remark, class_="remark") for remark in cell.remarks]
    if cell.absent is not None:
        words = joined(tag("b", "not examined: "), cell.absent)
        return tag("div", tag("span", words, class_="absent"), remarks, class_="cell")
    marks = ", ".join(filter(None, (_MEANINGS.get(cell.meaning, cell.meaning) or "no judgement", cell.flag.lower())))
    if cell.status not in ("final", "amended"):  # that an exam was amended stands over it
        marks += f", {cell.status.replace('-', ' ')}"
    classes = ["cell", cell.meaning, "wrong" if cell.status == "entered-in-error" else ""]
    return tag(
        "div",
        tag("span", cell.value, class_="value"),
        tag("span", marks, class_="mark"),
        remarks,
        class_=" ".join(filter(None, classes)),
    )


def _name(patient: Json) -> str:
    name: Json = next(iter(patient.get("name", [])), {})
    full = name.get("text") or " ".join([*name.get("given", []), name.get("family", "")]).strip()
    return full or next((i.get("value", "") for i in patient.get("identifier", [])), "") or f"Patient {patient['id']}"


def _born(patient: Json) -> str:
    extensions = patient.get("_birthDate", {}).get("extension", [])
    exact = next((e.get("valueDateTime", "") for e in extensions if e.get("url") == _BIRTH_TIME), "")
    return moment(exact or patient.get("birthDate", ""))


def _facts(patient: Json) -> list[str]:
    order = patient.get("multipleBirthInteger")
    facts = [f"born {_born(patient)}", f"sex {patient.get('gender', 'not recorded')}"]
    facts += [f"number {order} of a multiple birth"] if order else []
    return facts + [f"identifier {i['value']}" for i in patient.get("identifier", []) if "value" in i]
