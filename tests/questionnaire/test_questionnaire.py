"""The Questionnaires of the catalogue, against FHIR R4 (Questionnaire, section 2.42) and HL7 SDC 4.0.0."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from items import by_link, extensions, walk

from adapter.catalogue import Catalogue, ItemType, Sides, load_catalogue
from adapter.catalogue.codings import codings
from adapter.exam import Exam, Quantity
from adapter.fhir import to_bundle
from adapter.fhir.json import dumps
from adapter.forms import to_questionnaire
from adapter.validate import validate

KINDS = ("birth", "initial", "shift", "discharge", "follow-up")


@pytest.fixture(scope="module")
def forms(catalogue: Catalogue) -> dict[str, dict[str, Any]]:
    return {kind: to_questionnaire(catalogue, kind) for kind in KINDS}


def test_each_kind_of_exam_has_one(catalogue: Catalogue, forms: dict[str, dict[str, Any]]) -> None:
    assert tuple(catalogue.kinds) == KINDS
    for kind, form in forms.items():
        assert form["url"] == f"{catalogue.settings.canonical}/Questionnaire/exam-{kind}"
        assert form["version"] == catalogue.settings.version
        assert form["title"] == catalogue.kinds[kind].label
        assert form["status"] == "active"
        assert form["subjectType"] == ["Patient"]
    with pytest.raises(KeyError):
        to_questionnaire(catalogue, "nightly")


@pytest.mark.parametrize("kind", KINDS)
def test_the_validator_finds_nothing(kind: str, forms: dict[str, dict[str, Any]]) -> None:
    assert list(validate(forms[kind])) == []


def test_the_validator_would_find_something(forms: dict[str, dict[str, Any]]) -> None:
    """R4 constraint que-2: linkIds are unique."""
    wrong = {**forms["shift"], "item": [*forms["shift"]["item"], forms["shift"]["item"][0]]}
    assert "que-2" in {problem.rule for problem in validate(wrong)}


def test_the_same_catalogue_makes_the_same_bytes(forms: dict[str, dict[str, Any]]) -> None:
    assert dumps(to_questionnaire(load_catalogue(), "shift")) == dumps(forms["shift"])


def test_link_ids_are_the_same_in_every_kind(forms: dict[str, dict[str, Any]]) -> None:
    """Responses to different forms can be laid side by side: of an item, all but the region around it is the same."""
    first = {name: item for name, item in by_link(forms["initial"]).items() if "." not in name}
    for form in forms.values():
        again = by_link(form)
        for name, item in first.items():
            assert [i["linkId"] for i in walk([again[name]])] == [i["linkId"] for i in walk([item])]


def test_every_item_of_the_catalogue_has_a_place(catalogue: Catalogue, forms: dict[str, dict[str, Any]]) -> None:
    for kind, form in forms.items():
        links = by_link(form)
        usual = {i["linkId"] for top in form["item"] if top["linkId"].startswith("region.") for i in walk([top])}
        assert set(catalogue.items) <= set(links)
        assert {item.id for item in catalogue.expected(kind)} <= usual
        for item in catalogue.items.values():
            if item.computed:
                assert item.id not in usual


def test_the_rest_is_asked_only_where_it_is_wanted(forms: dict[str, dict[str, Any]]) -> None:
    """SDC, Form Behavior and Calculation: enableWhen."""
    for form in forms.values():
        opened = by_link(form)["about.further"]
        codes = [option["valueCoding"]["code"] for option in opened["answerOption"]]
        further = [top for top in form["item"] if top["linkId"].startswith("further.")]
        assert [top["linkId"] for top in further] == [f"further.{code}" for code in codes]
        for top in further:
            (when,) = top["enableWhen"]
            assert (when["question"], when["operator"]) == ("about.further", "=")


def test_least_disturbing_first(catalogue: Catalogue, forms: dict[str, dict[str, Any]]) -> None:
    """Common practice: look and listen before touching, and what makes the infant cry at the end of each part."""
    for form in forms.values():
        for top in form["item"]:
            items = [catalogue.items[i["linkId"]] for i in top.get("item", []) if i["linkId"] in catalogue.items]
            seen = [item.disturbance for item in items if item.type is not ItemType.TEXT]
            assert seen == sorted(seen)
    regions = [t["linkId"].partition(".")[2] for t in forms["initial"]["item"] if t["linkId"].startswith("region.")]
    positions = [min(item.position for item in catalogue.regions[name].items) for name in regions]
    assert positions == sorted(positions)
    assert regions.index("general") < regions.index("vital_signs") < regions.index("hips") < regions.index("reflexes")


def test_nothing_is_filled_in_beforehand(forms: dict[str, dict[str, Any]]) -> None:
    for form in forms.values():
        for item in walk(form["item"]):
            assert "initial" not in item
            assert not any("initialSelected" in option for option in item.get("answerOption", []))


def test_questions_and_answers_are_coded_as_in_the_observations(
    catalogue: Catalogue, every: list[Exam], forms: dict[str, dict[str, Any]]
) -> None:
    """What a form says a question or an answer is, is what the Observation says."""
    links = by_link(forms["initial"])
    questions = answers = 0
    for exam in every:
        system = catalogue.identifier_system("observation")
        observations = {
            identifier["value"]: entry["resource"]
            for entry in to_bundle(exam, catalogue)["entry"]
            if entry["resource"]["resourceType"] == "Observation"
            for identifier in entry["resource"]["identifier"]
            if identifier["system"] == system
        }
        for finding in exam.findings:
            item = catalogue.items[finding.item]
            side = f"/{finding.side.value}" if finding.side else ""
            observation = observations.get(f"{exam.details.root}/{item.id}{side}")
            if observation is None or finding.site or finding.method or item.computed:
                continue
            if isinstance(finding.value, Quantity) and catalogue.other_unit(finding.value, item):
                continue
            fixed = finding.side is not None and item.sides is Sides.EACH
            link = f"{item.id}.{finding.side.value}" if fixed else item.id  # type: ignore[union-attr]
            names = (f"{link}.value", f"{link}.total", f"{link}.time", link)
            asked = next(links[name] for name in names if "code" in links.get(name, {}))
            own = codings(catalogue).own_question(item.id, finding.value)  # no answer to the published question
            assert asked["code"][-1 if own else 0 :] == observation["code"]["coding"]
            questions += 1
            if finding.answer is not None:
                options = [option["valueCoding"] for option in links[f"{link}.value"]["answerOption"]]
                coding = observation["valueCodeableConcept"]["coding"]
                [option] = [o for o in options if o["code"] == coding[-1]["code"]]
                assert extensions(option, "published-coding") == coding[:-1]
                assert {k: v for k, v in option.items() if k != "extension"} == coding[-1]
                answers += 1
    assert questions > 400
    assert answers > 300


def test_units_limits_and_counts(catalogue: Catalogue, forms: dict[str, dict[str, Any]]) -> None:
    """SDC, Advanced Form Rendering: questionnaire-unitOption, questionnaire-unit, min and max quantity.

    The limits are those outside which a value is refused: a value that is merely unlikely may be true.
    """
    links = by_link(forms["initial"])
    rate = links["heart_rate.value"]
    limits = catalogue.items["heart_rate"].limits
    assert limits is not None
    assert [q["value"] for end in ("minQuantity", "maxQuantity") for q in extensions(rate, end)] == [*limits.possible]
    assert [unit["code"] for unit in extensions(rate, "questionnaire-unitOption")] == ["/min"]
    weight = links["weight.value"]
    assert [u["code"] for u in extensions(weight, "unitOption")] == ["g", "kg", "[lb_av]", "[oz_av]"]
    assert [u["system"] for u in extensions(weight, "unitOption")] == ["http://unitsofmeasure.org"] * 4
    seconds = links["heart_rate.counted_seconds"]
    assert [u["code"] for u in extensions(seconds, "questionnaire-unit")] == ["s"]
    assert links["weight.plus"]["type"] == "quantity"
    assert "heart_rate.plus" not in links


def test_sides_sites_states_and_reasons(catalogue: Catalogue, forms: dict[str, dict[str, Any]]) -> None:
    links = by_link(forms["initial"])
    assert [i["linkId"] for i in links["femoral_pulse"]["item"]][-2:] == ["femoral_pulse.left", "femoral_pulse.right"]
    assert [o["valueCoding"]["code"] for o in links["oedema.side"]["answerOption"]] == ["left", "right"]
    sites = [o["valueCoding"]["code"] for o in links["temperature.site"]["answerOption"]]
    assert sites == list(catalogue.items["temperature"].sites)
    assert links["heart_rate.state"]["answerValueSet"] == "#states"
    contained = {one["id"]: one for one in forms["initial"]["contained"]}
    reasons = [c["code"] for c in contained["reasons"]["expansion"]["contains"]]
    assert reasons == list(catalogue.reasons)
    skipped = links["femoral_pulse.left.not_examined"]
    assert skipped["answerValueSet"] == "#reasons"
    assert skipped["enableWhen"] == [
        {"question": "femoral_pulse.left.value", "operator": "exists", "answerBoolean": False}
    ]
    for item in catalogue.items.values():
        assert (
            (links[f"{item.id}.value"].get("repeats") is True) is (item.type is ItemType.CHOICES)
            if (f"{item.id}.value" in links)
            else True
        )


def test_a_measurement_that_has_several_numbers_is_unanswered_only_without_any(
    forms: dict[str, dict[str, Any]],
) -> None:
    skipped = by_link(forms["shift"])["blood_pressure.not_examined"]
    assert {when["question"] for when in skipped["enableWhen"]} == {
        f"blood_pressure.component.{name}" for name in ("systolic", "diastolic", "mean")
    }
    assert skipped["enableBehavior"] == "all"


def test_a_later_version_says_what_it_amends_and_why(forms: dict[str, dict[str, Any]]) -> None:
    """As the capture record asks it: both belong to an amendment, the first version need not be said."""
    asked = by_link(forms["initial"])
    must = {name: asked[name].get("required", False) for name in ("exam.amends", "exam.first", "exam.reason")}
    assert must == {"exam.amends": True, "exam.first": False, "exam.reason": True}
    assert all(asked[name]["enableWhen"][0]["question"] == "exam.status" for name in must)


def test_signs_of_a_score_have_their_points(forms: dict[str, dict[str, Any]]) -> None:
    """FHIR R4 extension ordinalValue, as in the Observations."""
    sign = by_link(forms["birth"])["apgar_5_min.sign.heart_rate"]
    assert [extensions(o["valueCoding"], "ordinalValue")[0] for o in sign["answerOption"]] == [0, 1, 2]


def test_items_of_one_sex_are_asked_unless_the_other_is_recorded(forms: dict[str, dict[str, Any]]) -> None:
    scrotum = by_link(forms["initial"])["scrotum"]
    assert scrotum["enableBehavior"] == "any"
    answers = [w.get("answerCoding", {}).get("code") for w in scrotum["enableWhen"]]
    assert answers == ["male", "other", "unknown", None]
    assert scrotum["enableWhen"][-1] == {
        "question": "genital_type.value",
        "operator": "exists",
        "answerBoolean": True,
    }


def test_what_others_may_extract(catalogue: Catalogue, forms: dict[str, dict[str, Any]]) -> None:
    """SDC, Form Data Extraction, Observation-based: item.code, observationExtract and the category.

    Marked is only what such an extraction would not maim: it knows no side, no place and no other time than now.
    """
    for form in forms.values():
        marked = {i["linkId"]: i for i in walk(form["item"]) if extensions(i, "sdc-questionnaire-observationExtract")}
        assert {"heart_rate.value", "weight.value", "muscle_tone.value"} <= set(marked)
        for name in ("femoral_pulse.left.value", "temperature.value", "birth_weight.value", "consent.value"):
            assert name not in marked
        for item in marked.values():
            assert item["code"]
            assert item["type"] != "display"  # "not on display items"
            assert extensions(item, "observationExtract") == [True]
            [category] = extensions(item, "observation-extract-category")
            name = catalogue.items[item["linkId"].partition(".")[0]]
            assert category["coding"][0]["code"] == catalogue.category(name).value


def test_a_site_has_its_own(tmp_path: Path) -> None:
    """Labels, items, licences and the canonical are the site's."""
    (tmp_path / "site.yaml").write_text("canonical: https://ward.example/fhir\nsnomed: 'off'\nversion: '7.0'\n")
    (tmp_path / "kinds.yaml").write_text("- {id: night, label: Night round, items: [heart_rate]}\n")
    site = load_catalogue(tmp_path)
    form = to_questionnaire(site, "night")
    assert form["url"] == "https://ward.example/fhir/Questionnaire/exam-night"
    assert form["version"] == "7.0"
    assert form["experimental"] is False
    assert b"snomed.info" not in dumps(form)
    assert "SNOMED" not in form["copyright"]
    assert [t["linkId"] for t in form["item"] if t["linkId"].startswith("region.")] == ["region.vital_signs"]
    assert list(validate(form)) == []
