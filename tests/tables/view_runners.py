"""Independent runners of ViewDefinitions, each in an environment of its own under ``.cache/``.

- sqlonfhir 0.0.2 (PyPI, Apache-2.0, SAS Institute): it wants fhirpathpy 2.1, another than the tests use. It does not
  see the type of a choice inside ``forEach``.
- @medplum/core 4.5.2 (npm, Apache-2.0), ``evalSqlOnFhir``: it does not see extensions of primitive elements.
"""

from __future__ import annotations

import json
import subprocess
import sys
from decimal import Decimal
from pathlib import Path
from typing import Any

CACHE = Path(__file__).resolve().parents[2] / ".cache"
Rows = list[dict[str, Any]]

_BY_SQLONFHIR = """
import json, sys
from decimal import Decimal
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from sqlonfhir import sqlonfhir
folder = Path(sys.argv[2])
for path in sorted((folder / "views").glob("*.json")):
    view = json.loads(path.read_text("utf-8"))
    lines = (folder / "fhir" / (view["resource"] + ".ndjson")).read_text("utf-8").split("\\n")
    resources = [json.loads(line, parse_float=Decimal) for line in lines if line]
    rows = sqlonfhir.eval(resources, view)
    print(json.dumps({"view": path.stem, "rows": rows}, default=str))
"""

_BY_MEDPLUM = """
const fs = require("fs"), path = require("path");
const { evalSqlOnFhir } = require(process.argv[2] + "/node_modules/@medplum/core");
const folder = process.argv[3];
for (const name of fs.readdirSync(path.join(folder, "views")).sort()) {
  const view = JSON.parse(fs.readFileSync(path.join(folder, "views", name), "utf8"));
  const lines = fs.readFileSync(path.join(folder, "fhir", view.resource + ".ndjson"), "utf8").split("\\n");
  const rows = evalSqlOnFhir(view, lines.filter((line) => line).map((line) => JSON.parse(line)));
  console.log(JSON.stringify({ view: path.parse(name).name, rows }));
}
"""


def by_sqlonfhir(folder: Path) -> dict[str, Rows]:
    """The rows of each view of ``folder/views`` over ``folder/fhir``; decimals come as text, digits kept."""
    target = CACHE / "sqlonfhir-0.0.2"
    if not (target / "complete").exists():
        command = [sys.executable, "-m", "pip", "install", "--quiet", "--target", str(target), "sqlonfhir==0.0.2"]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            raise RuntimeError(f"sqlonfhir 0.0.2 could not be installed from a package registry:\n{done.stderr}")
        (target / "complete").touch()
    return _rows([sys.executable, "-S", "-c", _BY_SQLONFHIR, str(target), str(folder)])


def by_medplum(folder: Path, installed: Path) -> dict[str, Rows]:
    """The same by @medplum/core, which ``tests/outside`` installs; its decimals are binary."""
    return _rows(["node", "-e", _BY_MEDPLUM, "medplum", str(installed), str(folder)])


def _rows(command: list[str]) -> dict[str, Rows]:
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=False)
    if done.returncode:
        raise RuntimeError(done.stderr[-2000:])
    found = (json.loads(line, parse_float=Decimal) for line in done.stdout.splitlines())
    return {one["view"]: one["rows"] for one in found}
