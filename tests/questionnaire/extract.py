"""What is extracted from our forms by templates: ``python tests/questionnaire/extract.py [--sample]``.

HL7 SDC 4.0.0, *Form Data Extraction*, template-based: the steps of the guide (``extract.mjs``) on HL7's own FHIRPath,
fhirpath.js 4.11.0, for the examples and for exams that use every item and answer, against what ``convert`` makes,
Observation by Observation. npm fetches it once into ``.cache/``; nothing of it is run at installation.

What a template cannot say is told apart by name and counted; an assertion says where what it says is not the same.
``--sample``: every fourth exam alone.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT)]

from adapter.catalogue import Catalogue, load_catalogue  # noqa: E402
from adapter.derive.every_use import some_exams  # noqa: E402
from adapter.exam import Exam  # noqa: E402
from adapter.fhir.bundle import BundleType, to_bundle  # noqa: E402
from adapter.fhir.json import dumps, loads  # noqa: E402
from adapter.forms import to_questionnaire, to_response  # noqa: E402
from adapter.read import read_captures  # noqa: E402

Json = dict[str, Any]
PACKAGE = "fhirpath@4.11.0"
CACHE = ROOT / ".cache" / "fhirpath"
CAPTURES = sorted((ROOT / "examples" / "captures").glob("*.json"))

LEFT_OUT = {
    "identifier": "in a system of its own",
    "referenceRange": "hangs on age",
    "interpretation": "of numbers, and of answers that hang on age or that the examiner raised",
    "note": "of the software: how a value was captured, summed or judged",
    "encounter": "where the exam names none, convert makes one",
    "performer": "the author of the response; further examiners are left out",
}
COMPUTED = {
    "bilirubin_line",
    "bilirubin_rise",
    "cchd_screen",
    "cross_finding",
    "gestational_age_at_birth",
    "head_circumference_z",
    "length_z",
    "birth_weight_z",
    "maturity_estimate",
    "side_difference",
    "size_for_gestation",
    "weight_change_percent",
}
"""Items that convert computes; the panels of regions are made besides."""


def extractor() -> Path:
    """The folder with FHIRPath; fetched by npm where it is not there yet."""
    if not (CACHE / "node_modules" / "fhirpath").exists():
        npm = shutil.which("npm")
        assert npm, "npm is needed to fetch the extractor"
        CACHE.mkdir(parents=True, exist_ok=True)
        (CACHE / "package.json").write_text('{"private": true}', "utf-8")
        command = [npm, "install", "--silent", "--no-audit", "--no-fund", "--ignore-scripts", PACKAGE]
        subprocess.run(command, cwd=CACHE, stdin=subprocess.DEVNULL, check=True)
    return CACHE


def extracted(exams: Sequence[Exam], catalogue: Catalogue) -> Iterator[tuple[Exam, Json]]:
    """What is extracted of each exam, form by form."""
    node = shutil.which("node")
    assert node, "node is needed to run the extractor"
    for kind in catalogue.kinds:
        those = [exam for exam in exams if exam.details.kind == kind]
        if not those:
            continue
        given = {
            "questionnaire": to_questionnaire(catalogue, kind, templates=True),
            "responses": [to_response(exam, catalogue, apart=True) for exam in those],
        }
        script = Path(__file__).with_suffix(".mjs")
        run = subprocess.run([node, script, extractor()], input=dumps(given), capture_output=True, check=True)
        yield from zip(those, map(loads, run.stdout.splitlines()), strict=True)


def compared(mine: Sequence[Json], theirs: Sequence[Json], catalogue: Catalogue) -> Counter[str]:
    """Counts of what is equal and of what differs and why; an assertion where it may not."""
    system, counts = catalogue.uri("item"), Counter[str]()
    waiting: dict[str, list[Json]] = defaultdict(list)
    wrong = []
    for one in mine:
        waiting[_item(one, system)].append(one)
    for one in theirs:
        item = _item(one, system)
        # the one of the item that is most like it
        like = min(waiting[item], key=lambda other: len(_differing(other, one)), default=None)
        if like is None:
            wrong.append((item, "extracted, and not converted"))
            continue
        waiting[item].remove(like)
        differing = _differing(like, one)
        known = [name for name in differing if _known(name, like, one, catalogue)]
        wrong += [(item, name, like.get(name), one.get(name)) for name in differing if name not in known]
        counts[
            "equal but for its identifier" if differing == ["identifier"] else "equal but for what is left out"
        ] += 1
        counts.update(f"  {name}" for name in differing if name != "identifier")
    assert not wrong, "\n".join(map(str, wrong[:20]))
    rest = Counter(item for item, some in waiting.items() for _ in some)
    assert {*rest} <= {*COMPUTED, "panel"}, {*rest} - COMPUTED
    counts["made by convert alone: computed findings"] = sum(n for item, n in rest.items() if item != "panel")
    counts["made by convert alone: panels of regions"] = rest["panel"]
    return counts


def _item(observation: Json, system: str) -> str:
    coding = observation["code"].get("coding", ())
    return next((one["code"] for one in coding if one["system"] == system), "panel")


def _differing(mine: Json, theirs: Json) -> list[str]:
    return sorted(name for name in {*mine, *theirs} if _plain(name, mine) != _plain(name, theirs))


def _plain(name: str, observation: Json) -> Any:
    """An element; of a time the moment, since the offset of a computed one is the extractor's choice."""
    value = observation.get(name)
    if name == "effectiveDateTime" and value is not None:
        return datetime.fromisoformat(value)
    return value


def _known(name: str, mine: Json, theirs: Json, catalogue: Catalogue) -> bool:
    """Whether this may differ: an element that is left out is not there, never there and wrong."""
    one, other = mine.get(name), theirs.get(name)
    match name:
        case "identifier":
            return bool(other)
        case "method" | "interpretation" if _unsupported(theirs):
            return other is None
        case "note":  # the examiner's own stands
            return [note for note in one or () if "authorString" not in note] == (other or [])
        case "performer":
            return bool(other == (one or [])[:1])
        case "dataAbsentReason" if "component" in mine:
            return _unsupported(theirs) and "valueQuantity" in mine["component"][0]
        case "valueQuantity" | "dataAbsentReason":
            return _as_captured(mine, theirs)
        case "component":  # of several numbers, each has a meaning and a range
            numbers = [part for part in one if "valueQuantity" in part]
            if _unsupported(theirs):
                return bool(numbers) and all(_unsupported(part) for part in other[: len(numbers)])
            rest = [part for part in one if "valueQuantity" not in part]
            return rest == other[len(numbers) :] and all(map(_same_number, numbers, other))
        case "interpretation":
            return other is None and _hangs_on_more(mine, catalogue)
        case "encounter":
            return other is None and one["identifier"]["system"] == catalogue.identifier_system("encounter")
    return name in LEFT_OUT and other is None


def _unsupported(element: Json) -> bool:
    coding = element.get("dataAbsentReason", {}).get("coding", [{}])
    return [one.get("code") for one in coding] == ["unsupported"]


def _same_number(mine: Json, theirs: Json) -> bool:
    one, other = mine["valueQuantity"], theirs["valueQuantity"]
    captured = [e["valueQuantity"] for e in one.get("extension", ()) if e["url"].endswith("captured-quantity")]
    bare = {name: value for name, value in other.items() if name != "extension"}
    return mine["code"] == theirs["code"] and (captured == [bare] if captured else one == other)


def _hangs_on_more(observation: Json, catalogue: Catalogue) -> bool:
    """Whether a meaning is that of a number or time, of an answer at some ages, or one that the examiner raised."""
    answers = {f"{item.id}.{a.id}": a for item in catalogue.items.values() for a in item.answers}
    coding = observation.get("valueCodeableConcept", {}).get("coding", [{}])[-1]
    known = answers.get(coding.get("code", ""))
    if known is None or known.when is not None:
        return True
    told = [*observation.get("component", ()), *(e for e in observation.get("extension", ()) if "extension" in e)]
    return "urgency" in str([one.get("code") or one["extension"][0] for one in told])


def _as_captured(mine: Json, theirs: Json) -> bool:
    """A number in a unit that convert turns into the item's own; of two amounts for one value, none."""
    kept = [e["valueQuantity"] for e in mine["valueQuantity"].get("extension", ()) if "valueQuantity" in e]
    if len(kept) == 2:
        return "valueQuantity" not in theirs and theirs["dataAbsentReason"]["coding"][0]["code"] == "unsupported"
    number = {k: v for k, v in theirs.get("valueQuantity", {}).items() if k not in ("extension", "comparator")}
    return len(kept) == 1 and kept[0] == number and "dataAbsentReason" not in theirs


def observations(bundle: Json) -> list[Json]:
    """The Observations among the entries of a bundle."""
    resources = [entry["resource"] for entry in loads(dumps(bundle))["entry"]]
    return [one for one in resources if one["resourceType"] == "Observation"]


def proved(exams: Sequence[Exam], catalogue: Catalogue) -> Counter[str]:
    """All exams compared; what is created without a condition against a second extraction is counted too."""
    counts: Counter[str] = Counter()
    for exam, found in extracted(exams, catalogue):
        assert not found["faults"], found["faults"]
        mine = observations(to_bundle(exam, catalogue, BundleType.BATCH))
        counts += compared(mine, observations(found["bundle"]), catalogue)
        requests = [entry["request"] for entry in found["bundle"]["entry"]]
        conditions = [one["ifNoneExist"] for one in requests if "ifNoneExist" in one]
        counts["conditional creates"] += len(conditions)
        counts["conditional creates, alike in all"] += len(conditions) - len({*conditions})
    return counts


def main() -> None:
    """Compare and count; an assertion says what is wrong."""
    catalogue, step = load_catalogue(), 4 if "--sample" in sys.argv[1:] else 1
    read = [reading.exam for path in CAPTURES for reading in read_captures(path, catalogue)]
    examples = [exam for exam in read if exam is not None]
    every = [exam.model_copy(update={"told": ()}) for exam in some_exams(catalogue)]
    for name, exams in (("examples", examples[::step]), ("every item and answer", every[::step])):
        print(f"{name}: {len(exams)} exams", flush=True)
        for what, number in proved(exams, catalogue).items():
            print(f"{number:7} {what}")


if __name__ == "__main__":
    main()
