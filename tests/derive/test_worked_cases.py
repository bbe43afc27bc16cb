"""Worked cases of published texts: guideline tables, handbooks, papers (``cases/*.csv``, each row with its source).

The table of NICE CG98 is laid into an invented site's folder for it: no hour table is shipped.
"""

from __future__ import annotations

import csv
from pathlib import Path

from cases.reader import HERE, answer, rows

from adapter.catalogue import load_catalogue

CG98 = """id: cg98
label: Lines from 38 weeks
version: "2016"
source: NICE CG98, threshold table
licence: for this test alone
items: [serum_bilirubin]
unit: umol/L
between: step
lines:
- {id: light, label: Start phototherapy, urgency: tell-soon}
- {id: exchange, label: Exchange transfusion, urgency: tell-now}
"""


def _with_cg98(folder: Path) -> Path:
    (folder / "hours").mkdir()
    (folder / "hours" / "cg98.yaml").write_text(CG98, encoding="utf-8")
    lines = csv.DictReader((HERE / "cg98_table.txt").read_text(encoding="utf-8").splitlines())
    body = "".join(f"38,,{line['hour']},{line['light']},{line['exchange']}\n" for line in lines)
    (folder / "hours" / "cg98.csv").write_text(f"from_week,to_week,hour,light,exchange\n{body}", encoding="utf-8")
    (folder / "site.yaml").write_text("{}", encoding="utf-8")
    return folder


def test_every_worked_case_comes_out_as_published(tmp_path: Path) -> None:
    shipped, cg98 = load_catalogue(), load_catalogue(_with_cg98(tmp_path))
    every = list(rows())
    assert len(every) >= 200
    assert all(row["source"].split()[0] in shipped.sources and row["place"] for _, row in every)
    wrong = []
    for where, row in every:
        got = answer(row, cg98 if where.startswith("cg98") else shipped)
        if got != row["expected"]:
            wrong.append(
                f"{where}: {row['asked']} of '{row['findings']}' ({row['infant']}) is {got}, not "
                f"{row['expected']} ({row['source']}, {row['place']})"
            )
    assert not wrong, "\n".join(wrong)
