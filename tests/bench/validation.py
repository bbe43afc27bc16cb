"""``python -m tests.bench.validation``: the validator against fhir.resources in one run. It asserts nothing.

One bundle of 60 Observations: every layer of ours against ``Bundle.model_validate`` of fhir.resources (R4B) alone,
which checks structure only. Then 100,000 Observations as NDJSON: how fast, and how far memory grew.
"""

from __future__ import annotations

import io
import resource
import statistics
import sys
import time
import uuid
from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

import orjson
from fhir.resources.R4B.bundle import Bundle

from adapter.fhir.json import dumps, loads
from adapter.validate import ALL, Validator, read_resources, validate

REPEATS = 25
LINES = 100_000


def observation(number: int) -> dict[str, Any]:
    """An invented heart rate."""
    return {
        "resourceType": "Observation",
        "id": str(uuid.UUID(int=number)),
        "identifier": [{"system": "https://site.invalid/findings", "value": f"exam-1/{number}"}],
        "status": "final",
        "category": [
            {
                "coding": [
                    {
                        "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                        "code": "vital-signs",
                        "display": "Vital Signs",
                    }
                ]
            }
        ],
        "code": {"coding": [{"system": "http://loinc.org", "code": "8867-4", "display": "Heart rate"}]},
        "subject": {"reference": "urn:uuid:0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0a01"},
        "effectiveDateTime": "2026-03-01T08:30:00+01:00",
        "valueQuantity": {
            "value": Decimal(f"{110 + number % 50}.0"),
            "unit": "beats/minute",
            "system": "http://unitsofmeasure.org",
            "code": "/min",
        },
        "note": [{"text": "invented"}],
    }


def bundle() -> dict[str, Any]:
    """A transaction of a newborn and 60 Observations."""
    newborn = {
        "resourceType": "Patient",
        "identifier": [{"system": "https://site.invalid/mrn", "value": "1"}],
        "gender": "female",
        "birthDate": "2026-02-28",
    }
    child = "urn:uuid:0f0e3c5a-3b1f-4f0e-9a53-6f2d3c1b0a01"
    entries = [{"fullUrl": child, "resource": newborn, "request": {"method": "POST", "url": "Patient"}}]
    for number in range(60):
        made = observation(number)
        url = f"urn:uuid:{made['id']}"
        entries.append({"fullUrl": url, "resource": made, "request": {"method": "POST", "url": "Observation"}})
    return {"resourceType": "Bundle", "type": "transaction", "entry": entries}


def main() -> None:
    """Measure and print."""
    written = dumps(bundle())
    ours, plain = loads(written), orjson.loads(written)
    assert validate(ours) == []
    works: dict[str, Callable[[], object]] = {
        "fhir.resources R4B: model_validate": lambda: Bundle.model_validate(plain),
        "all layers": lambda: validate(ours),
        **{f"layer {layer.value} alone": (lambda layer=layer: validate(ours, layers=[layer])) for layer in ALL},
        "all layers, with the models": lambda: validate(ours, second_opinion=True),
        "read from bytes, all layers": lambda: [Validator().check(one) for one in read_resources(written)],
    }
    times: dict[str, list[float]] = {name: [] for name in works}
    for work in works.values():
        work()
    for _ in range(REPEATS):
        for name, work in works.items():
            began = time.process_time()
            work()
            times[name].append(time.process_time() - began)
    floor = statistics.median(times["fhir.resources R4B: model_validate"])
    print(f"One bundle of 60 Observations, {len(written) / 1024:.0f} KB; medians of {REPEATS}\n")
    for name, measured in times.items():
        median = statistics.median(measured)
        print(f"  {median * 1000:7.2f} ms  {median / floor:5.2f}  {name}")
    _stream()


class _Lines(io.RawIOBase):
    """NDJSON that is made while it is read."""

    def __init__(self, count: int) -> None:
        self.lines: Iterator[bytes] = (dumps(observation(n)) + b"\n" for n in range(count))
        self.left = b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        while len(self.left) < len(buffer) and (line := next(self.lines, None)) is not None:
            self.left += line
        taken, self.left = self.left[: len(buffer)], self.left[len(buffer) :]
        buffer[: len(taken)] = taken
        return len(taken)


def _stream() -> None:
    validator = Validator()
    print(f"\n{LINES} Observations as NDJSON, every layer")
    for count in (LINES // 20, LINES):
        began = time.process_time()
        found = sum(len(validator.check(one)) for one in read_resources(io.BufferedReader(_Lines(count))))
        seconds = time.process_time() - began
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / (1024 if sys.platform != "darwin" else 1024**2)
        print(f"  {count:7} read, {found} problems, {count / seconds:6.0f} a second, peak memory {peak:.0f} MB")


if __name__ == "__main__":
    main()
