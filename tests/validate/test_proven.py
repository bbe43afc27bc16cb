"""The quick validation of our own bundles says what the whole validator says, of right bundles and of broken ones."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive.every_use import every_exam, some_exams
from adapter.exam import Exam
from adapter.fhir import BundleType, to_bundle
from adapter.fhir.json import dumps, loads
from adapter.fhir.observation_templates import TemplatedEntry
from adapter.validate import Validator, load_packages, validate
from adapter.validate.proven import Prover
from drawn import drawn
from strategies import exams

CATALOGUE = load_catalogue()
EVERY = every_exam(CATALOGUE)
FULL = Validator()
PROVER = Prover()
JUDGED = drawn(40)

Json = dict[str, Any]


def written(exam: Exam, kind: BundleType = BundleType.TRANSACTION) -> Json:
    return to_bundle(exam, CATALOGUE, kind, written=True)


def agrees(bundle: Json, prover: Prover = PROVER) -> bool:
    """Whether both say the same; what they say is in the order of the layers."""
    return prover.check(bundle) == FULL.validate(loads(dumps(bundle)))


@pytest.mark.parametrize("kind", BundleType)
def test_every_answer_is_proven(kind: BundleType) -> None:
    prover = Prover()
    for exam in [*some_exams(CATALOGUE), *EVERY[::8]] if kind is BundleType.TRANSACTION else EVERY[::10]:
        assert prover.check(written(exam, kind)) == []
    assert prover.in_full == 0  # none of it needed the whole validator


@JUDGED
@given(exams(CATALOGUE, max_items=20), st.sampled_from(BundleType))
def test_any_exam_is_proven(exam: Exam, kind: BundleType) -> None:
    assert agrees(written(exam, kind))


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Every place in what of a bundle is dicts and lists."""
    if isinstance(value, dict | list):
        for key, content in value.items() if isinstance(value, dict) else enumerate(value):
            yield (*path, key)
            yield from places(content, (*path, key))


def copied(value: Any) -> Any:
    """A copy whose dicts and lists are its own; references are shared between resources."""
    if isinstance(value, dict):
        return {key: copied(content) for key, content in value.items()}
    return [copied(one) for one in value] if isinstance(value, list) else value


WRONG = [
    *(
        "",
        " ",
        " a",
        "a ",
        "a\u0001b",
        "a\nb",
        "x",
        "urn:uuid:",
        "#",
        "#provenance",
        "Patient/1",
        "http://example.org",
    ),
    *("urn:uuid:6ba7b810-9dad-41d1-80b4-00c04fd430c8", "urn:uuid:6BA7B810-9DAD-41D1-80B4-00C04FD430C8", "a\u00a0b"),
    *("2026-02-30", "2026-03-01", "2026-03-01T10:00:00", "2026-03-01T25:00:00Z", "2030-03-01T10:00:00+01:00"),
    *(None, True, 0, -1, 3, Decimal("3.10"), Decimal("1e3"), [], {}, [""], [{}], {"text": ""}, {"reference": "#"}),
    *(["final"], {"id": "a"}, {"reference": "urn:uuid:6ba7b810-9dad-41d1-80b4-00c04fd430c8"}, "final", "batch"),
]


@drawn(250)
@given(st.integers(0, len(EVERY) - 1), st.sampled_from(BundleType), st.data())
def test_anything_replaced_or_left_out(index: int, kind: BundleType, data: st.DataObject) -> None:
    whole = written(EVERY[index], kind)
    assert PROVER.check(whole) == []
    bundle = copied(whole)
    *path, last = data.draw(st.sampled_from(list(places(bundle))))
    holder = bundle
    for key in path:
        holder = holder[key]
    wrong = data.draw(st.sampled_from([*WRONG, "left out", "twice", "renamed"]))
    if wrong == "left out":
        del holder[last]
    elif wrong == "twice" and isinstance(holder, list):
        holder.append(holder[last])
    elif wrong == "renamed" and isinstance(holder, dict):
        holder["unknown"] = holder.pop(last)
    else:
        holder[last] = wrong
    assert agrees(bundle)


def the_first(bundle: Json, measured: bool = False) -> TemplatedEntry:
    return next(
        one for one in bundle["entry"] if isinstance(one, TemplatedEntry) and one.template.measured is measured
    )


def is_measured(one: object) -> bool:
    return isinstance(one, TemplatedEntry) and one.template.measured


def put(one: TemplatedEntry, **slots: object) -> None:
    for name, value in slots.items():
        setattr(one, name, value)


def of_type(bundle: Json, name: str) -> Json:
    entries = [one for one in bundle["entry"] if not isinstance(one, TemplatedEntry)]
    return next(one["resource"] for one in entries if one["resource"]["resourceType"] == name)


def _uuid(bundle: Json) -> None:
    made = the_first(bundle)
    put(made, name=made.name._replace(uuid=made.name.uuid.upper()))


def _no_value(bundle: Json) -> None:
    made = the_first(bundle)
    put(made, name=made.name._replace(value=""))


def _control_character(bundle: Json) -> None:
    made = the_first(bundle)
    put(made, name=made.name._replace(value="a\u0001b"))


def _no_such_day(bundle: Json) -> None:
    put(the_first(bundle), effective="2026-02-30T10:00:00+01:00")


def _no_zone(bundle: Json) -> None:
    put(the_first(bundle), effective="2026-02-03T10:00:00")


def _twice_the_same(bundle: Json) -> None:
    bundle["entry"].append(the_first(bundle))


def _name_of_another(bundle: Json) -> None:
    several = [one for one in bundle["entry"] if isinstance(one, TemplatedEntry)]
    put(several[0], name=several[1].name)


def _not_there(bundle: Json) -> None:
    bundle["entry"].remove(the_first(bundle))


def _no_newborn(bundle: Json) -> None:
    bundle["entry"] = [
        e for e in bundle["entry"] if isinstance(e, TemplatedEntry) or e["resource"]["resourceType"] != "Patient"
    ]


def _about_the_examiner(bundle: Json) -> None:
    examiner = next(
        e
        for e in bundle["entry"]
        if not isinstance(e, TemplatedEntry) and e["resource"]["resourceType"] == "Practitioner"
    )
    for one in bundle["entry"]:
        if isinstance(one, TemplatedEntry):
            about = one.references._replace(subject={"reference": examiner["fullUrl"]}, written=b"")
            put(one, references=about.ready())


def _one_about_nobody(bundle: Json) -> None:
    made = the_first(bundle)
    references = made.references
    put(made, references=references._replace(written=references.written.replace(b"urn:uuid:", b"urn:uuid:x", 1)))


def _mothers_number_is_the_newborns(bundle: Json) -> None:
    of_type(bundle, "RelatedPerson")["identifier"].append(of_type(bundle, "Patient")["identifier"][0])


def _ends_before_it_starts(bundle: Json) -> None:
    of_type(bundle, "Provenance")["occurredPeriod"] = {"start": "2026-03-02T00:00:00Z", "end": "2026-03-01T00:00:00Z"}


def _names_itself_a_mother(bundle: Json) -> None:
    of_type(bundle, "Patient")["link"] = [{"other": {"display": "a mother"}, "type": "seealso"}]


BREAKS = {name[1:]: made for name, made in list(globals().items()) if name.startswith("_") and callable(made)}


@pytest.mark.parametrize("name", BREAKS)
def test_what_is_broken_by_hand(name: str) -> None:
    break_: Callable[[Json], None] = BREAKS[name]
    exam = next(e for e in EVERY if e.newborn.mother and e.details.examiners[0].identifier and len(e.findings) > 50)
    assert PROVER.check(written(exam)) == []
    bundle = copied(written(exam))
    break_(bundle)
    assert agrees(bundle), name
    if name != "names_itself_a_mother":  # that is allowed, and only looked at more closely
        assert PROVER.check(bundle) != []


@pytest.mark.parametrize("number", [Decimal("-0"), Decimal("3.10"), Decimal("1E+5"), Decimal("1e-30")])
def test_any_digits_are_right(number: Decimal) -> None:
    bundle = next(bundle for bundle in map(written, EVERY) if any(is_measured(one) for one in bundle["entry"]))
    put(the_first(bundle, measured=True), number=number)
    assert agrees(bundle)


def broken_catalogues() -> Iterator[tuple[str, Catalogue]]:
    """Catalogues that the linter would refuse, each with one broken part."""
    reasons = {name: one.model_copy(update={"label": ""}) for name, one in CATALOGUE.reasons.items()}
    yield "a reason without a label", replace(CATALOGUE, reasons=reasons)
    methods = {name: one.model_copy(update={"label": "a\u0001b"}) for name, one in CATALOGUE.methods.items()}
    yield "methods with a control character", replace(CATALOGUE, methods=methods)
    settings = CATALOGUE.settings.model_copy(update={"canonical": "not a uri"})
    yield "a canonical with spaces", replace(CATALOGUE, settings=settings)


def test_a_broken_template_is_never_proven() -> None:
    found = 0
    for name, catalogue in broken_catalogues():
        prover = Prover()
        for number, exam in enumerate(EVERY[:6]):
            some = exam.model_copy(update={"findings": exam.findings[number % 3 :: 3]})
            bundle = to_bundle(some, catalogue, written=True)
            assert agrees(bundle, prover), name
            found += bool(prover.check(bundle))
    assert found >= 6


def test_a_sites_packages_are_asked_of_everything(tmp_path: Path) -> None:
    profile = {
        "resourceType": "StructureDefinition",
        "url": "https://example.org/StructureDefinition/short",
        "type": "Patient",
        "kind": "resource",
        "derivation": "constraint",
        "name": "Short",
        "status": "active",
        "abstract": False,
        "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Patient",
        "differential": {"element": [{"id": "Patient.name", "path": "Patient.name", "min": 1}]},
    }
    tmp_path.joinpath("short.json").write_bytes(dumps(profile))
    prover = Prover(Validator(packages=load_packages([tmp_path])))
    assert prover.check(written(EVERY[0])) == []
    assert prover.in_full == 1


def test_forms_are_known_again() -> None:
    prover = Prover()
    prover.check(written(EVERY[0]))
    known = prover.forms
    prover.check(written(EVERY[0]))
    assert prover.forms == known
    assert validate(to_bundle(EVERY[0], CATALOGUE)) == []
