"""``python -m tests.bench.routes``: each route and stage, as ratios within one run. It prints and asserts nothing.

The other route is fhir.resources (its R4B models: it has no R4): the finished plain bundle is made into models, which
validates it, and dumped as JSON. It need not build the content, which is in its favour. The floor is orjson writing
the finished bundle, digits already lost.
"""

from __future__ import annotations

import io
import statistics
import time
from collections.abc import Callable
from dataclasses import replace

import orjson
from fhir.resources.R4B.bundle import Bundle

from adapter.catalogue import Catalogue, load_catalogue
from adapter.derive import completeness, judged_findings, tell_list
from adapter.derive.every_use import every_exam
from adapter.exam import Exam
from adapter.fhir import BundleType, Identity, to_bundle, to_json
from adapter.fhir.json import dumps, loads
from adapter.fhir.parts import parts
from adapter.fhir.xml import to_xml
from adapter.problems import Layer
from adapter.read import read_captures
from adapter.read import to_json as record
from adapter.read.bundle import from_bundle
from adapter.validate import ALL, Validator, validate
from adapter.validate.proven import Prover
from tests.bench.invented import invented_exams

REPEATS = 7
SECONDS = 0.25


def main() -> None:
    """Measure and print."""
    catalogue = load_catalogue()
    exams = [exam for exam in every_exam(catalogue) if len(exam.findings) > 100][:10]
    _many(catalogue)
    for exam in exams:
        to_json(exam, catalogue)  # the parts are compiled when first asked for
    _sizes(exams, catalogue)
    _building(exams, catalogue)
    _stages(exams, catalogue)
    _validating(exams, catalogue)


def _sizes(exams: list[Exam], catalogue: Catalogue) -> None:
    size = statistics.mean(len(to_json(exam, catalogue)) for exam in exams)
    count = statistics.mean(len(exam.findings) for exam in exams)
    print(f"{len(exams)} exams, {count:.0f} findings and {size / 1024:.0f} KB of bundle each; medians of {REPEATS}\n")


def _building(exams: list[Exam], catalogue: Catalogue) -> None:
    plain = [orjson.loads(to_json(exam, catalogue)) for exam in exams]
    finished = [to_bundle(exam, catalogue) for exam in exams]
    records = [record(exam) for exam in exams]
    prover = Prover()
    _compare(
        "Building",
        {
            "to_json: exam to bytes": lambda n: to_json(exams[n], catalogue),
            "to_json, validated as it is made": lambda n: _proven(exams[n], catalogue, prover),
            "to_json, a collection": lambda n: to_json(exams[n], catalogue, BundleType.COLLECTION),
            "to_bundle, written with its digits": lambda n: dumps(to_bundle(exams[n], catalogue)),
            "to_bundle, written as XML": lambda n: to_xml(to_bundle(exams[n], catalogue)),
            "the finished bundle read back to the exam": lambda n: from_bundle(finished[n], catalogue),
            "a capture record read and checked": lambda n: list(read_captures(stream(records[n]), catalogue)),
            "fhir.resources R4B: validate, dump": lambda n: Bundle.model_validate(plain[n]).model_dump_json(),
            "floor: orjson writes the finished bundle": lambda n: orjson.dumps(plain[n]),
        },
        len(exams),
    )


def stream(text: str | bytes) -> io.BytesIO:
    """A text as a file that is open for reading."""
    return io.BytesIO(text.encode() if isinstance(text, str) else text)


def _proven(exam: Exam, catalogue: Catalogue, prover: Prover) -> bytes:
    bundle = to_bundle(exam, catalogue, written=True)
    assert prover.check(bundle) == []
    return dumps(bundle)


def _many(catalogue: Catalogue) -> None:
    """From nothing compiled: the first exam, then many different ones, each only once."""
    count = 400
    several = list(invented_exams(catalogue, count))
    findings = sum(len(exam.findings) for exam in several)
    fresh, prover = replace(catalogue), Prover()
    print(f"{count} different exams once each, {findings / count:.0f} findings each, nothing compiled before\n")
    print("exams            to_json   proven as well   forms compiled   proven   validated in full")
    done = 0
    for upto in (1, 10, 100, 200, count):
        part, done = several[done:upto], upto
        alone = _seconds(lambda: [to_json(exam, fresh) for exam in part]) / len(part)  # noqa: B023
        both = _seconds(lambda: [_proven(exam, fresh, prover) for exam in part]) / len(part)  # noqa: B023
        kept = len(parts(fresh, True).observations)
        print(
            f"up to {upto:<8}  {alone * 1000:5.1f} ms        {both * 1000:6.1f} ms     {kept:8}         "
            f"{prover.forms:6}   {prover.in_full:8}"
        )
    kept = len(parts(fresh, True).observations)
    print(f"\nOf {findings} findings {kept} were the first of their form: {100 * (1 - kept / findings):.1f} % hits\n")


def _seconds(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def _stages(exams: list[Exam], catalogue: Catalogue) -> None:
    """What of to_json is derived, named, built and written; each stage alone."""
    judged = [judged_findings(exam, catalogue) for exam in exams]
    bundles = [to_bundle(exam, catalogue, written=True) for exam in exams]
    _compare(
        "Stages",
        {
            "to_json: exam to bytes": lambda n: to_json(exams[n], catalogue),
            "judgements, computed findings, rules": lambda n: judged_findings(exams[n], catalogue),
            "not recorded": lambda n: completeness(exams[n], catalogue),
            "tell list": lambda n: tell_list(exams[n], judged[n][0], catalogue, judged[n][1], ()),
            "names (UUIDs) of the findings": lambda n: _names(exams[n], catalogue),
            "bytes, of what is built": lambda n: dumps(bundles[n]),
        },
        len(exams),
        share=True,
    )


def _names(exam: Exam, catalogue: Catalogue) -> None:
    identity = Identity(exam, catalogue)
    for finding in exam.findings:
        identity.observation(finding)


def _validating(exams: list[Exam], catalogue: Catalogue) -> None:
    finished = [loads(to_json(exam, catalogue)) for exam in exams]
    plain = [orjson.loads(dumps(bundle)) for bundle in finished]
    written = [to_bundle(exam, catalogue, written=True) for exam in exams]
    prover = Prover()
    for bundle in written:
        prover.check(bundle)
    validator = Validator()
    _compare(
        "Validating",
        {
            "our own, proven": lambda n: prover.check(written[n]),
            "structure layer": lambda n: validate(finished[n], layers=[Layer.STRUCTURE], second_opinion=False),
            "all layers, without the models": lambda n: validator.validate(finished[n]),
            "all layers, with the models": lambda n: validate(finished[n], layers=ALL, second_opinion=True),
            "fhir.resources R4B: model_validate": lambda n: Bundle.model_validate(plain[n]),
        },
        len(exams),
    )


def _compare(title: str, works: dict[str, Callable[[int], object]], count: int, share: bool = False) -> None:
    """Print exams a second of processor time for each, taken turn by turn so that all meet the same machine.

    The ratios are the medians of those within each turn.
    """
    rates = rates_of(works, count)
    first = next(iter(rates.values()))
    width = max(map(len, works))
    print(f"{title:<{width}}  exams/s  {'share of the first' if share else 'first is so many times as fast'}")
    for name, found in rates.items():
        times = statistics.median(one / other for one, other in zip(first, found, strict=True))
        shown = (
            f"{100 * times:8.0f} %"
            if share
            else f"{times:8.2f}"
            if times >= 1
            else f"{times:8.2f} (1/{1 / times:.1f})"
        )
        print(f"{name:<{width}}  {statistics.median(found):7.1f}  {shown}")
    print()


def rates_of(works: dict[str, Callable[[int], object]], count: int) -> dict[str, list[float]]:
    """Exams a second of processor time for each of the works, turn by turn."""
    rates: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(REPEATS):
        for name, work in works.items():
            rates[name].append(_rate(work, count))
    return rates


def _rate(work: Callable[[int], object], count: int) -> float:
    """Exams a second, over all exams for at least a while; of processor time, which other programs do not take."""
    done, began = 0, time.process_time()
    while (passed := time.process_time() - began) < SECONDS:
        for n in range(count):
            work(n)
        done += count
    return done / passed


if __name__ == "__main__":
    main()
