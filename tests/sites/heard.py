"""The packs of national guides before the standard's own engine, with the definitions of the guide that you name.

``python -m tests.sites.heard PACK FOLDER...`` (Java 17, Maven): folders of StructureDefinitions, ValueSets and
CodeSystems as JSON or XML: a FHIR package unpacked, or the files of a guide's repository, published or built.
Says every error of the engine, by the claimed profile, and how many resources it heard; exit code 1 with an error.

What is heard: the invented exams as ``test_packs`` makes them (names in parts, numbers of one hospital, everybody and
the place named), with saturation and inspired oxygen of one moment besides, each with the report attached; every
resource that claims a profile of the guide, each form of it twice, and one document. All in English; every third in
German and in French.
"""

from __future__ import annotations

import json
import re
import sys
from collections import Counter
from collections.abc import Container, Iterator
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from lxml import etree

from adapter.catalogue import Catalogue, load_catalogue
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps, loads
from adapter.write import write
from tests.reference.judge import Message, judge
from tests.sites.test_packs import CAPTURES, SITE, Json, exam_of, record

LANGUAGES = {"en": 1, "de": 3, "fr": 3}
"""How many of the exams are heard in a language: every one, every third."""
_KIND = re.compile(r'("resourceType"\s*:\s*"|<)(?:StructureDefinition|ValueSet|CodeSystem)[" ]')
_BASE = re.compile(r'"baseDefinition"\s*:\s*"([^"|]+)|<baseDefinition value="([^"|]+)')
_NAMED = re.compile(r'"(https?://[^"\s]+)"')
_R4 = "http://hl7.org/fhir/StructureDefinition/"
TELLS = frozenset({"profile", "system", "code", "url", "status", "use", "language"})
OXYGEN = [
    {"item": "oxygen_saturation", "site": "right_hand", "value": {"value": 94, "unit": "%"}},
    {"item": "inspired_oxygen", "value": {"value": 30, "unit": "%"}},
]


def main(pack: str, folders: list[str]) -> int:
    """Hears the pack; 1 where the engine has an error."""
    made = [
        one
        for language in LANGUAGES
        for one in _resources(hospital(pack, language), CAPTURES[:: LANGUAGES[language]])
    ]
    heard = list(_forms_twice(made))
    claimed = {url for one in heard for url in one.get("meta", {}).get("profile", ())}
    messages = judge([dumps(one) for one in heard], definitions(folders, claimed))
    errors = Counter(
        (_who(heard, message), message.place.partition(".")[2], message.text) for message in errors_of(messages)
    )
    for (who, place, text), count in sorted(errors.items()):
        print(f"{count:4d} {who}  {place}\n       {text}")
    for who, count in sorted(Counter(_claims(one) for one in heard).items()):
        print(f"{count:4d} heard  {who}")
    print(f"{pack}: {len(heard)} resources of {len(made)}, {sum(errors.values())} errors")
    return 1 if errors else 0


def errors_of(messages: list[Message]) -> list[Message]:
    """What makes a resource invalid."""
    return [message for message in messages if message.is_error]


def hospital(pack: str, language: str) -> Catalogue:
    """A hospital over the pack that speaks the language and attaches its reports."""
    folder = Path(mkdtemp(prefix="pack-"))
    own = f"attached_report: html\nlanguage: {language}\n"
    folder.joinpath("site.yaml").write_text(SITE.format(pack) + own)
    return load_catalogue(folder)


def definitions(folders: list[str], claimed: set[str]) -> list[Path]:
    """The files in these folders that the claimed profiles need: they and all that they name. The engine takes a
    second for each."""
    known: dict[str, tuple[Path, str]] = {}
    for file in (file for folder in folders for file in sorted(Path(folder).iterdir())):
        text = file.read_text(encoding="utf-8-sig") if file.suffix in (".json", ".xml") else ""
        if _KIND.search(text) and (url := _url(text)):
            known[url] = file, text
    wanted, waiting = {}, sorted(claimed & known.keys())
    while waiting:
        url = waiting.pop()
        if url not in wanted:
            wanted[url] = known[url][0]
            waiting += {found.partition("|")[0] for found in _NAMED.findall(known[url][1])} & known.keys()
    while without := [url for url in wanted if _stands_on_nothing(known[url][1], wanted.keys())]:
        for url in without:
            print(f"left out, what it builds on is in no folder: {url}")
            del wanted[url]
    return sorted(wanted.values())


def _url(text: str) -> str:
    """The canonical URL of a definition, as JSON or XML."""
    if text.lstrip().startswith("{"):
        return str(json.loads(text).get("url", ""))
    return str(etree.fromstring(text.encode()).xpath("string(*[local-name()='url']/@value)"))


def _stands_on_nothing(text: str, known: Container[str]) -> bool:
    """The engine gives up altogether on a profile whose base it does not know."""
    base = _BASE.search(text)
    url = (base[1] or base[2]) if base else ""
    return bool(url) and url not in known and not re.fullmatch(f"{_R4}[A-Za-z]+", url)


def _resources(catalogue: Catalogue, captures: list[Path]) -> Iterator[Json]:
    """What claims a profile of the pack's, of these exams; and a document of the first."""
    claimable = {claim.url for claim in catalogue.profiles.values()}
    for path in captures:
        data = record(path)
        data["findings"] += [one for one in OXYGEN if one["item"] not in {f["item"] for f in data["findings"]}]
        exam = exam_of(data, catalogue)
        bundle = to_bundle(exam, catalogue, BundleType.COLLECTION)
        document = loads(write(exam, catalogue, "document"))
        if path == CAPTURES[0]:
            yield document
        composition = document["entry"][0]["resource"]
        for one in (*(entry["resource"] for entry in bundle["entry"]), composition):
            if claimable & {*one.get("meta", {}).get("profile", ())}:
                yield one


def _forms_twice(resources: list[Json]) -> Iterator[Json]:
    """Each form of a resource (all but its texts and numbers, and the codes of findings) twice."""
    seen: Counter[str] = Counter()
    for one in resources:
        tells = TELLS - {"code"} if one["resourceType"] == "Observation" else TELLS
        form = repr(_form(one, tells))
        seen[form] += 1
        if seen[form] <= 2:
            yield one


def _form(node: Any, tells: frozenset[str], name: str = "") -> Any:
    if isinstance(node, dict):
        return tuple((key, _form(value, tells, key)) for key, value in node.items())
    if isinstance(node, list):
        return tuple(sorted({repr(_form(part, tells, name)) for part in node}))
    return node if name in tells else None


def _claims(resource: Json) -> str:
    urls = resource.get("meta", {}).get("profile", ())
    return f"{resource['resourceType']} {' '.join(sorted(url.rpartition('/')[2] for url in urls))}"


def _who(heard: list[Json], message: Message) -> str:
    return _claims(heard[message.number])


if __name__ == "__main__":
    if len(sys.argv) < 3:
        sys.exit((__doc__ or "").partition("\n\n")[2])
    sys.exit(main(sys.argv[1], sys.argv[2:]))
