"""``python -m tests.bench``: how fast, as ratios within one run. It prints and asserts nothing.

The other route is fhir.resources (its R4B models: it has no R4): the finished plain bundle is made into models, which
validates it, and dumped as JSON. It need not build the content, which is in its favour. The floor is orjson writing
the finished bundle, digits already lost.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable

import orjson
from fhir.resources.R4B.bundle import Bundle

from adapter.catalogue import Catalogue, load_catalogue
from adapter.exam import Exam
from adapter.fhir import from_bundle, to_bundle
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import to_xml
from adapter.problems import Layer
from adapter.validate import ALL, validate
from tests.every_answer import every_exam

REPEATS = 9
SECONDS = 0.25


def main() -> None:
    """Measure and print."""
    catalogue = load_catalogue()
    exams = [exam for exam in every_exam(catalogue) if len(exam.findings) > 100][:10]
    for exam in exams:
        to_bundle(exam, catalogue)  # the parts are compiled when first asked for
    size = statistics.mean(len(dumps(to_bundle(exam, catalogue))) for exam in exams)
    count = statistics.mean(len(exam.findings) for exam in exams)
    print(f"{len(exams)} exams, {count:.0f} findings and {size / 1024:.0f} KB of bundle each; medians of {REPEATS}\n")
    _building(exams, catalogue)
    _validating(exams, catalogue)


def _building(exams: list[Exam], catalogue: Catalogue) -> None:
    plain = [orjson.loads(dumps(to_bundle(exam, catalogue))) for exam in exams]
    finished = [to_bundle(exam, catalogue) for exam in exams]
    ours = _rate(lambda n: dumps(to_bundle(exams[n], catalogue)), len(exams))
    rows = {
        "to_bundle, written with its digits": ours,
        "to_bundle alone": _rate(lambda n: to_bundle(exams[n], catalogue), len(exams)),
        "the finished bundle written with its digits": _rate(lambda n: dumps(finished[n]), len(exams)),
        "to_bundle, written as XML": _rate(lambda n: to_xml(to_bundle(exams[n], catalogue)), len(exams)),
        "read back to the exam": _rate(lambda n: from_bundle(finished[n], catalogue), len(exams)),
        "fhir.resources R4B: validate, dump": _rate(
            lambda n: Bundle.model_validate(plain[n]).model_dump_json(), len(exams)
        ),
        "floor: orjson writes the finished bundle": _rate(lambda n: orjson.dumps(plain[n]), len(exams)),
    }
    _print("Building", rows, ours)


def _validating(exams: list[Exam], catalogue: Catalogue) -> None:
    finished = [loads(dumps(to_bundle(exam, catalogue))) for exam in exams]
    plain = [orjson.loads(dumps(bundle)) for bundle in finished]
    ours = _rate(lambda n: validate(finished[n], layers=[Layer.STRUCTURE], second_opinion=False), len(exams))
    rows = {
        "structure layer": ours,
        "all layers, without the models": _rate(lambda n: validate(finished[n], second_opinion=False), len(exams)),
        "all layers, with the models": _rate(lambda n: validate(finished[n], layers=ALL), len(exams)),
        "fhir.resources R4B: model_validate": _rate(lambda n: Bundle.model_validate(plain[n]), len(exams)),
    }
    _print("Validating", rows, ours)


def _rate(work: Callable[[int], object], count: int) -> float:
    """Exams a second: the median of some repeats, each over all exams for at least a while."""
    rates = []
    for _ in range(REPEATS):
        done, began = 0, time.perf_counter()
        while (passed := time.perf_counter() - began) < SECONDS:
            for n in range(count):
                work(n)
            done += count
        rates.append(done / passed)
    return statistics.median(rates)


def _print(title: str, rows: dict[str, float], ours: float) -> None:
    width = max(map(len, rows))
    print(f"{title:<{width}}  exams/s  against the first")
    for name, rate in rows.items():
        print(f"{name:<{width}}  {rate:7.1f}  {rate / ours:8.2f}")
    print()


if __name__ == "__main__":
    main()
