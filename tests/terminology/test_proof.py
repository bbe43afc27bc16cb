"""The proof of the codes, against the sandbox with a small made-up edition, and against what was recorded of it.

FHIR R4 Terminology Service; Using SNOMED CT and Using LOINC with FHIR (inactive, STATUS, SCALE_TYP, PROPERTY).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import edition as made_up
import httpx
import pytest

from adapter.catalogue import Catalogue, load_catalogue
from adapter.catalogue.codings import codings
from adapter.catalogue.proof import FILE, Proof, ProvedCode, Verdict
from adapter.catalogue.uses import standing, uses
from adapter.problems import Severity
from adapter.sandbox import Store, running
from adapter.send import FhirClient, ServerRefused
from adapter.send.terminology import Recorded, Server, candidates, prove, recorded_answers, translated
from adapter.send.terminology.asking import Reply

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def record(base: str, catalogue: Catalogue, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All answers of the server, recorded."""
    path = tmp_path_factory.mktemp("recorded") / "answers.ndjson"
    with FhirClient(base) as client, recorded_answers(Server(client), path) as terminology:
        prove(catalogue, terminology)
    return path


@pytest.fixture(scope="module")
def proof(record: Path, catalogue: Catalogue) -> Proof:
    return prove(catalogue, Recorded(record))


def rules(proof: Proof, system: str, code: str) -> list[str]:
    return [finding.rule for finding in proof.by_code[system, code].findings]


def test_every_code_that_may_be_sent_is_in_the_proof(proof: Proof, catalogue: Catalogue) -> None:
    assert set(proof.by_code) == {(use.system, use.code) for use in uses(catalogue)}
    assert len(proof.codes) > 350
    assert proof.edition("loinc") == made_up.LOINC_VERSION
    assert proof.edition("snomed") == made_up.SNOMED_VERSION
    assert Proof.model_validate_json(proof.model_dump_json()) == proof


def test_each_fault_of_the_edition_is_found_and_nothing_else(proof: Proof) -> None:
    expected = {
        ("snomed", made_up.INACTIVE): ["inactive-code"],
        ("snomed", made_up.RENAMED): ["other-name"],
        ("snomed", made_up.MISPLACED): ["wrong-role"],
        ("snomed", made_up.MISSING): ["unknown-code"],
        ("loinc", made_up.DEPRECATED): ["inactive-code"],
        ("loinc", made_up.DISCOURAGED): ["code-status"],
        ("loinc", made_up.ON_TRIAL): ["code-status"],
        ("loinc", made_up.WRONG_SCALE): ["wrong-scale"],
        ("loinc", made_up.WRONG_PROPERTY): ["wrong-property"],
        ("loinc", made_up.NOT_IN_LIST): ["not-in-answer-list"],
    }
    found = {(one.system, one.code): [f.rule for f in one.findings] for one in proof.codes if one.findings}
    assert found == expected
    failed = {(one.system, one.code) for one in proof.failed}
    doubtful = {("snomed", made_up.RENAMED), ("loinc", made_up.DISCOURAGED)}
    on_trial = "loinc", made_up.ON_TRIAL
    assert failed == set(expected) - doubtful - {on_trial}
    assert {proof.by_code[one].verdict for one in doubtful} == {Verdict.DOUBTFUL}
    # LOINC's STATUS (from memory): what is on trial may be used with care, what is discouraged is not for new uses.
    assert proof.by_code[on_trial].verdict is Verdict.PROVED
    assert [finding.severity for finding in proof.by_code[on_trial].findings] == [Severity.INFORMATION]


def test_what_stands_in_the_place_of_an_inactive_code_is_said(proof: Proof) -> None:
    (replaced,) = proof.by_code["snomed", made_up.INACTIVE].findings
    assert made_up.REPLACEMENT in replaced.remedy
    (mapped,) = proof.by_code["loinc", made_up.DEPRECATED].findings
    assert made_up.MAPPED_TO in mapped.remedy


def test_a_server_without_batches_is_asked_one_by_one(base: str, record: Path) -> None:
    """It says so in its CapabilityStatement; the answers are the same."""
    asked = [json.loads(line)["question"] for line in record.read_text("utf-8").splitlines()[1:8]]
    with FhirClient(base, transport=WithoutBatches()) as client:
        assert Server(client).ask(asked) == Recorded(record).ask(asked)


@pytest.mark.parametrize(("status", "falls_back"), [(429, False), (403, False), (400, True)])
def test_a_batch_that_is_put_off_is_not_asked_one_by_one(
    status: int, falls_back: bool, base: str, record: Path
) -> None:
    """RFC 6585, 4: too many requests. Asking each question by itself would be more of them."""
    asked = [json.loads(line)["question"] for line in record.read_text("utf-8").splitlines()[1:8]]
    refusing = Refusing(status)
    with FhirClient(base, transport=refusing) as client:
        server = Server(client)
        if falls_back:
            assert server.ask(asked) == Recorded(record).ask(asked)
        else:
            with pytest.raises(ServerRefused):
                server.ask(asked)
    assert (refusing.single > 0) is falls_back


class Refusing(httpx.HTTPTransport):
    """A server that says that it knows batches and refuses each; ``single`` counts what is asked one by one."""

    def __init__(self, status: int) -> None:
        super().__init__()
        self._status, self.single = status, 0

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        if request.method == "POST":
            return httpx.Response(self._status)
        self.single += not request.url.path.endswith("/metadata")
        return super().handle_request(request)


class WithoutBatches(httpx.HTTPTransport):
    """A server that neither says that it knows batches nor takes any."""

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        if request.method == "POST":
            return httpx.Response(405)
        response = super().handle_request(request)
        if not request.url.path.endswith("/metadata"):
            return response
        statement = json.loads(response.read())
        statement["rest"][0]["interaction"] = []
        return httpx.Response(200, json=statement)


def test_a_server_without_the_systems_proves_nothing(catalogue: Catalogue) -> None:
    """The plain sandbox answers for our own package alone: no code is called wrong for that."""
    with Store() as store, running(store) as url, FhirClient(url) as client:
        bare = prove(catalogue, Server(client))
    assert {one.verdict for one in bare.codes} == {Verdict.UNPROVED}
    assert {finding.rule for one in bare.codes for finding in one.findings} == {"system-not-held"}


def test_a_server_without_the_package_translates_nothing(record: Path, catalogue: Catalogue) -> None:
    count, problems = translated(catalogue, Recorded(record))  # which was asked for no translation of ours
    assert len({problem.where for problem in problems if problem.rule == "map-not-held"}) > 10
    assert len(problems) >= count


def test_a_list_of_which_the_server_has_no_answer_proves_none_wrong(record: Path, catalogue: Catalogue) -> None:
    """A server that does not hold an answer list says *false* of each (HAPI FHIR 8.8.0: "CodeSystem is unknown")."""
    head, *lines = record.read_text("utf-8").splitlines()
    told = [json.loads(line) for line in lines]
    for one in told:
        if made_up.LIST in one["question"]:
            one["answer"] = {"resourceType": "Parameters", "parameter": [{"name": "result", "valueBoolean": False}]}
    without = record.with_name("without-the-list.ndjson")
    without.write_text("\n".join([head, *map(json.dumps, told)]), "utf-8")
    proof = prove(catalogue, Recorded(without))
    assert rules(proof, "loinc", made_up.NOT_IN_LIST) == ["answer-list-not-held"]
    assert rules(proof, "loinc", "LA10392-1") == ["answer-list-not-held"]
    assert proof.by_code["loinc", "LA10392-1"].verdict is Verdict.DOUBTFUL


def test_one_way_back_of_several_is_no_fault_of_the_package(base: str, catalogue: Catalogue) -> None:
    """HAPI FHIR 8.8.0 names one of the codes that lead to a target; another code that does not is a fault still."""
    with FhirClient(base) as client:
        count, problems = translated(catalogue, OneWayBack(Server(client)))
    assert problems
    assert {(one.rule, one.severity) for one in problems} == {("one-way-back", Severity.INFORMATION)}
    assert len(problems) < count / 2


class OneWayBack:
    """Another's answers, with the first match alone."""

    def __init__(self, inner: Server) -> None:
        self._inner = inner
        self.server, self.software, self.asked_at = inner.server, inner.software, inner.asked_at

    def ask(self, questions: Sequence[str]) -> list[Reply]:
        return [
            Reply(one.status, self._first(one.resource)) if "reverse=true" in question else one
            for question, one in zip(questions, self._inner.ask(questions), strict=True)
        ]

    def _first(self, resource: dict[str, object]) -> dict[str, object]:
        told: list[dict[str, object]] = resource.get("parameter", [])  # type: ignore[assignment]
        matches = [one for one in told if one.get("name") == "match"]
        return {**resource, "parameter": [one for one in told if one not in matches[1:]]}


def test_candidates_are_found_by_role_and_words_with_their_parents(base: str, catalogue: Catalogue) -> None:
    item = catalogue.items["alertness"]
    with FhirClient(base) as client:
        found = candidates([item], catalogue, Server(client), words="respiratory distress")
    assert {one.code for one in found.found} == {made_up.REPLACEMENT}
    assert {one.parents for one in found.found} == {("Clinical finding",)}
    head, *rows = found.as_csv().splitlines()
    assert head.split(",")[6:] == (ROOT / "mappings/codes.csv").read_text("utf-8").splitlines()[0].split(",")
    assert made_up.SNOMED_VERSION in rows[0]
    assert found.day in rows[0]


# --- what a site makes of its proof -------------------------------------------------------------------------


def site_with(folder: Path, proof: Proof | None, settings: str) -> Catalogue:
    (folder / "site.yaml").write_text(settings)
    if proof is not None:
        (folder / FILE).write_text(proof.model_dump_json())
    return load_catalogue(folder)


def test_a_site_that_does_not_ask_hears_nothing(catalogue: Catalogue) -> None:
    assert standing(catalogue) == []


def test_a_site_that_asks_hears_what_is_wrong_with_its_proof(proof: Proof, tmp_path: Path) -> None:
    wanted = "proof: {wanted: true, days: 30}\n"
    made = proof.made.date()
    for name in ("none", "whole", "less"):
        (tmp_path / name).mkdir()
    missing = site_with(tmp_path / "none", None, wanted)
    assert [p.rule for p in standing(missing, made)] == ["proof-missing"]
    whole = site_with(tmp_path / "whole", proof, wanted)
    assert [p.rule for p in standing(whole, made + timedelta(days=30))] == ["proof-failed"]
    assert [p.rule for p in standing(whole, made + timedelta(days=31))] == ["proof-too-old", "proof-failed"]
    bare = tuple(one.model_copy(update={"verdict": Verdict.UNPROVED}) for one in proof.codes)
    (tmp_path / "bare").mkdir()
    nothing = site_with(tmp_path / "bare", proof.model_copy(update={"codes": bare}), wanted)
    assert [p.rule for p in standing(nothing, made)] == ["proof-incomplete"]
    less = proof.model_copy(update={"codes": tuple(one for one in proof.codes[1:] if one not in proof.failed)})
    other = site_with(tmp_path / "less", less, wanted)
    assert [p.rule for p in standing(other, made)] == ["proof-of-another-catalogue"]
    assert proof.codes[0].code in standing(other, made)[0].what


def test_codings_name_the_edition_and_get_its_names_where_a_site_wants_it(proof: Proof, tmp_path: Path) -> None:
    site = site_with(tmp_path, proof, "proof: {sent: true}\n")
    withheld = next(
        one for one in proof.codes if one.system == "loinc" and one.display is None and one.verdict is Verdict.PROVED
    )
    code = next(code for _, code in site.codes() if (code.system, code.code) == ("loinc", withheld.code))
    assert codings(site).coding(code) == {
        "system": made_up.LOINC,
        "version": made_up.LOINC_VERSION,
        "code": withheld.code,
        "display": withheld.name,
    }
    assert "version" not in codings(load_catalogue()).coding(code)


def test_a_proof_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    from adapter.catalogue import CatalogueError

    (tmp_path / "site.yaml").write_text("{}\n")
    (tmp_path / FILE).write_text(json.dumps({"format": 1, "codes": "none"}))
    with pytest.raises(CatalogueError) as refused:
        load_catalogue(tmp_path)
    assert FILE in str(refused.value)


def test_age_is_counted_from_the_day_the_server_was_asked(proof: Proof, tmp_path: Path) -> None:
    old = proof.model_copy(update={"made": proof.made - timedelta(days=500), "codes": _well(proof)})
    site = site_with(tmp_path, old, "proof: {wanted: true}\n")
    rules_ = [problem.rule for problem in standing(site, date.fromordinal(proof.made.date().toordinal()))]
    assert rules_ == ["proof-too-old"]


def _well(proof: Proof) -> tuple[ProvedCode, ...]:
    return tuple(one.model_copy(update={"verdict": Verdict.PROVED}) for one in proof.codes)


def test_a_server_is_asked_for_the_properties_that_are_judged(record: Path) -> None:
    """R4 $lookup: where no properties are named, the server chooses what it returns."""
    asked = [json.loads(line)["question"] for line in record.read_text("utf-8").splitlines()[1:]]
    looked_up = [question for question in asked if question.startswith("CodeSystem/$lookup")]
    assert all("property=designation" in question for question in looked_up)
    assert all("property=inactive" in q for q in looked_up if "snomed" in q)
    assert all("property=SCALE_TYP" in q and "property=STATUS" in q for q in looked_up if "loinc" in q)
    assert not [question for question in asked if "Patient" in question or "identifier" in question]


def test_a_record_that_was_cut_short_leaves_nothing(base: str, tmp_path: Path) -> None:
    path = tmp_path / "answers.ndjson"
    with pytest.raises(RuntimeError), FhirClient(base) as client, recorded_answers(Server(client), path):
        raise RuntimeError
    assert list(tmp_path.iterdir()) == []
