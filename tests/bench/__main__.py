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
from adapter.fhir import BundleType, from_bundle, to_bundle, to_json
from adapter.fhir.json import dumps, loads
from adapter.fhir.xml import to_xml
from adapter.problems import Layer
from adapter.validate import ALL, validate
from tests.every_answer import every_exam

REPEATS = 5
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
    _compare(
        "Building",
        {
            "to_json: exam to bytes": lambda n: to_json(exams[n], catalogue),
            "the same as a collection": lambda n: to_json(exams[n], catalogue, BundleType.COLLECTION),
            "to_bundle, written with its digits": lambda n: dumps(to_bundle(exams[n], catalogue)),
            "to_bundle alone": lambda n: to_bundle(exams[n], catalogue),
            "the finished bundle written with its digits": lambda n: dumps(finished[n]),
            "to_bundle, written as XML": lambda n: to_xml(to_bundle(exams[n], catalogue)),
            "read back to the exam": lambda n: from_bundle(finished[n], catalogue),
            "fhir.resources R4B: validate, dump": lambda n: Bundle.model_validate(plain[n]).model_dump_json(),
            "floor: orjson writes the finished bundle": lambda n: orjson.dumps(plain[n]),
        },
        len(exams),
    )


def _validating(exams: list[Exam], catalogue: Catalogue) -> None:
    finished = [loads(dumps(to_bundle(exam, catalogue))) for exam in exams]
    plain = [orjson.loads(dumps(bundle)) for bundle in finished]
    _compare(
        "Validating",
        {
            "structure layer": lambda n: validate(finished[n], layers=[Layer.STRUCTURE], second_opinion=False),
            "all layers, without the models": lambda n: validate(finished[n], second_opinion=False),
            "all layers, with the models": lambda n: validate(finished[n], layers=ALL),
            "fhir.resources R4B: model_validate": lambda n: Bundle.model_validate(plain[n]),
        },
        len(exams),
    )


def _compare(title: str, works: dict[str, Callable[[int], object]], count: int) -> None:
    """Print exams a second of processor time for each, taken turn by turn so that all meet the same machine."""
    rates: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(REPEATS):
        for name, work in works.items():
            rates[name].append(_rate(work, count))
    medians = {name: statistics.median(found) for name, found in rates.items()}
    width, first = max(map(len, works)), next(iter(medians.values()))
    print(f"{title:<{width}}  exams/s  against the first")
    for name, rate in medians.items():
        print(f"{name:<{width}}  {rate:7.1f}  {rate / first:8.3f}")
    print()


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
