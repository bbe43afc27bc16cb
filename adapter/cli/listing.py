"""Items of the catalogue as rows, as data, and one in full (``newborn-adapter items``)."""

from __future__ import annotations

import csv
import io

from adapter.catalogue import Catalogue, Condition, Item, Meaning
from adapter.catalogue.coverage import Coverage, answer_shares, question_coverage
from adapter.catalogue.model import MayRetire
from adapter.derive.cohorts import Ring, told_lines_of

_COLUMNS = (
    "position",
    "item",
    "region",
    "label",
    "type",
    "unit",
    "sides",
    "coded",
    "answers_coded",
    "abnormal_hpo",
    "codes",
)


def _row(item: Item, catalogue: Catalogue) -> dict[str, str]:
    shared, answers = answer_shares(item)
    return {
        "position": str(item.position),
        "item": item.id,
        "region": catalogue.region_of[item.id],
        "label": item.label,
        "type": item.type.value,
        "unit": item.unit or "",
        "sides": item.sides.value,
        "coded": question_coverage(item).value,
        "answers_coded": f"{shared}/{answers}" if answers else "",
        "abnormal_hpo": _with_hpo(item),
        "codes": "; ".join(str(code) for code in item.codes),
    }


def _with_hpo(item: Item) -> str:
    """How many of the abnormal answers have an HPO term, sent or in the ConceptMap alone, and how many there are."""
    abnormal = [answer for answer in item.answers if answer.meaning is Meaning.ABNORMAL]
    named = sum(any(code.system == "hpo" for code in (*one.codes, *one.maps)) for one in abnormal)
    return f"{named}/{len(abnormal)}" if abnormal else ""


def as_csv(chosen: list[Item], catalogue: Catalogue) -> str:
    """A row an item."""
    out = io.StringIO()
    writer = csv.DictWriter(out, _COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(_row(item, catalogue) for item in chosen)
    return out.getvalue()


def as_table(chosen: list[Item], catalogue: Catalogue) -> str:
    """A line an item, and how many questions are coded how."""
    columns = ("item", "region", "type", "unit", "sides", "coded", "answers_coded", "abnormal_hpo", "label")
    rows = [dict(zip(columns, columns, strict=True))] + [_row(item, catalogue) for item in chosen]
    widths = {column: max(len(row[column]) for row in rows) for column in columns}
    lines = ["  ".join(row[column].ljust(widths[column]) for column in columns).rstrip() for row in rows]
    totals = {c: sum(question_coverage(item) is c for item in chosen) for c in Coverage}
    spread = ", ".join(f"{count} {name.value}" for name, count in totals.items())
    return "\n".join([*lines, "", f"{len(chosen)} items; questions coded: {spread}"])


def as_data(item: Item, catalogue: Catalogue) -> dict[str, object]:
    """All of an item for programs."""
    shown = item.model_dump(mode="json", exclude_defaults=True)
    return {"region": catalogue.region_of[item.id], "coded": question_coverage(item).value, **shown}


def in_full(item: Item, catalogue: Catalogue) -> str:
    """All of an item for people."""
    lines = [f"{item.label}  ({item.id}, {catalogue.regions[catalogue.region_of[item.id]].label})"]
    lines.append(
        f"  record      {item.type.value}, sides: {item.sides.value}" + (f", in {item.unit}" if item.unit else "")
    )
    lines += [f"  retired     {retired_in_words(item)}"] if not item.on else []
    lines += [f"  how         {item.how}"] if item.how else []
    lines += [f"  caution     {item.caution}"] if item.caution else []
    lines += [f"  code        {code}" for code in item.codes] or [f"  code        own only: {item.no_standard_code}"]
    for word, table in (("side", item.codes_by.side), ("site", item.codes_by.site), ("method", item.codes_by.method)):
        for key, further in table.items():
            lines += [f"  code        {code}  (with {word} {key})" for code in further]
    if item.limits:
        lines.append(f"  refused     outside {item.limits.possible[0]} to {item.limits.possible[1]}")
        lines.append(f"  warned      outside {item.limits.plausible[0]} to {item.limits.plausible[1]}")
    for component in item.components:
        lines.append(f"  component   {component.id}  " + "; ".join(str(code) for code in component.codes))
    for answer in item.answers:
        urgent = f", {answer.urgency.value}" if answer.urgency != "none" else ""
        codes = "; ".join(str(code) for code in answer.codes)
        lines.append(f"  answer      {answer.id}: {answer.label} [{answer.meaning.value}{urgent}] {codes}".rstrip())
        lines += [f"              {answer.id} is retired: {retired_in_words(answer)}"] if not answer.on else []
    for sign in item.signs:
        points = ", ".join(f"{answer.points} {answer.id}" for answer in sign.answers)
        lines.append(f"  sign        {sign.id}: {points}")
    for band in item.ranges:
        urgent = f", {band.urgency.value}" if band.urgency != "none" else ""
        part = f"{band.component} " if band.component else ""
        when = condition_in_words(band.when)
        lines.append(f"  range       {part}{band} [{band.meaning.value}{urgent}]{when}  {band.source}")
    for told in told_lines_of(item, catalogue):
        lines += [f"  rings       {told.id}: {ring_in_words(ring, catalogue)}" for ring in told.rings]
    lines += [f"  site        {site}" for site in item.sites]
    lines.append(f"  sources     {'; '.join(f'{s}: {catalogue.sources[s].label}' for s in item.sources)}")
    if any(code.system == "hpo" for answer in item.answers for code in answer.codes):
        sent = (
            "sent" if catalogue.settings.hpo == "on" else "in the ConceptMap alone; hpo: on in site.yaml sends them"
        )
        lines.append(f"  hpo         {sent}. {catalogue.systems['hpo'].notice}")
    return "\n".join(lines)


def retired_in_words(one: MayRetire) -> str:
    """Since when it is retired, and what to record instead."""
    since = f"since {one.since}" if one.since else "in every new record"
    return f"{since}; {f'use {one.use}' if one.use else 'nothing stands for it'}"


def condition_in_words(condition: Condition) -> str:
    """Of which infants and findings a range is; empty where it is of all."""
    words = []
    for name, value in condition.model_dump(exclude_defaults=True).items():
        if isinstance(value, dict):
            ends = (f"{end['comparator']}{end['value']}" for end in value.values() if end)
            words.append(f"{name.replace('_', ' ')} {' and '.join(ends)}")
        else:
            words.append(
                f"{name.replace('_', ' ')} {', '.join(map(str, value)) if isinstance(value, tuple) else value}"
            )
    return f" when {'; '.join(words)}" if words else ""


def ring_in_words(ring: Ring, catalogue: Catalogue) -> str:
    """How many of a hundred well newborns, or of a hundred readings of theirs, ring a line, and who counted."""
    one = ring.cohort
    of = "well newborns" if one.per == "infant" else "readings of well newborns"
    least, most = _count(ring.least), _count(ring.most)
    words = f"about {most}" if least == most else f"at most {most}" if least == "0" else f"{least} to {most}"
    counted = f"n {one.n}" if one.n is not None else "n not given"
    mark = catalogue.sources[one.source].mark
    return f"of 100 {of} {'none' if ring.most == 0 else words}: {one.label} ({counted}; {one.source}, {mark})"


def _count(share: float) -> str:
    return f"{share:.0f}" if share >= 1 else f"{share:.1g}" if share >= 0.05 else "0"
