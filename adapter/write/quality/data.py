"""The report on the quality of an extract for programs, CSV and JSON of the same cells; which records to look at."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import asdict

from adapter.catalogue import Catalogue
from adapter.fhir.json import dumps
from adapter.write.quality.cells import Cell
from adapter.write.quality.checks import QualityChecks
from adapter.write.quality.compared import Against
from adapter.write.quality.digits import digit_rows
from adapter.write.quality.drift import Month
from adapter.write.quality.look import Findings
from adapter.write.quality.words import CAUTION, FRAMEWORK, MEANS
from adapter.write.tables.spreadsheet import cell as guarded


def as_csv(
    all_cells: Iterable[Cell], found: Findings, checks: QualityChecks, drift: list[Month], against: Against | None
) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["check", "measure", "group", "value", "item", "count", "of", "share", "shown"])
    for one in all_cells:
        share = "" if one.share is None else f"{one.share:.4f}"
        counts = (one.count, one.of, share, "yes" if one.count is not None else f"no, under {checks.least}")
        writer.writerow(
            [guarded(value) for value in (one.check, one.measure, one.group, one.value, one.item, *counts)]
        )
    for row in digit_rows(found.digits, checks):
        shown = "yes" if row["score"] is not None else f"no, under {checks.digits.fewest}"
        score = "" if row["score"] is None else str(row["score"])
        of_item = ("digits", "preference_score", "all", "", row["item"], score, row["numbers"], "", shown)
        writer.writerow([guarded(value) for value in of_item])
    for place in found.table_one:
        for measure, count, of in (
            ("newborns", place.newborns, None),
            ("female", place.female, place.sex_known or None),
            ("under_37_weeks", place.preterm, place.weeks_known or None),
        ):
            yes = "yes" if count is not None else f"no, under {checks.least}"
            part = "" if count is None or not of else f"{count / of:.4f}"
            told = ("table_one", measure, "place", place.place, "", count, of, part, yes)
            writer.writerow([guarded(value) for value in told])
    for month in drift:
        if month.mean is not None:
            of_month = (
                "drift",
                "mean",
                "month",
                month.month,
                month.item,
                f"{month.mean:.4f}",
                month.numbers,
                "",
                "yes",
            )
            writer.writerow([guarded(value) for value in of_month])
    for change in against.changes if against else ():
        shares = ["" if one is None else f"{one:.4f}" for one in (change.then, change.now)]
        compared = ("comparison", change.measure, "then and now", change.why, change.item, *shares, "", "yes")
        writer.writerow([guarded(value) for value in compared])
    return out.getvalue().encode()


def records_of(found: Findings) -> bytes:
    """Which records somebody should look at, by their ids, as CSV: not for those who may not see the records."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["check", "item", "exam_id", "finding_id", "what"])
    for one in found.doubts:
        writer.writerow([guarded(text) for text in (one.check, one.item, one.exam_id, one.finding_id, one.what)])
    return out.getvalue().encode()


def as_json(
    all_cells: Iterable[Cell],
    found: Findings,
    checks: QualityChecks,
    catalogue: Catalogue,
    drift: list[Month],
    against: Against | None,
) -> bytes:
    rows = [
        {
            "check": one.check,
            "measure": one.measure,
            "group": one.group,
            "value": one.value,
            "item": one.item,
            "count": one.count,
            "of": one.of,
            "share": None if one.share is None else round(one.share, 4),
        }
        for one in all_cells
    ]
    head = {"caution": CAUTION, "catalogue": catalogue.settings.version, "framework": FRAMEWORK, "means": MEANS}
    used = checks.model_dump(mode="json")
    more = {
        "table_one": [asdict(one) for one in found.table_one],
        "drift": [
            {
                "item": one.item,
                "month": one.month,
                "mean": round(one.mean, 4),
                "others": round(one.others, 4),
                "told": one.told,
            }
            for one in drift
            if one.mean is not None and one.others is not None
        ],
        **({"against": asdict(against)} if against else {}),
    }
    content = {**head, "checks": used, "cells": rows, "digits": digit_rows(found.digits, checks), **more}
    return dumps(content, pretty=True) + b"\n"
