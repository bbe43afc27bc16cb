"""An invented infant with two lines on the tell list, and who was told of them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from adapter.catalogue import load_catalogue
from adapter.exam import Exam
from adapter.read import read_captures

CATALOGUE = load_catalogue()
NOW, ROUND = "femoral_pulse.absent/left", "hip_scan"

TELLINGS: list[dict[str, Any]] = [
    {
        "line": NOW,
        "at": "2026-03-01T09:10:00+01:00",
        "to": {
            "name": "Dr N. Invented",
            "family": "Invented",
            "given": "Nora",
            "prefix": "Dr",
            "identifier": {"system": "https://hospital.invalid/staff", "value": "D-7"},
            "role": "physician",
        },
        "by": {"name": "A. Example", "role": "nurse"},
        "read_back": True,
        "words": "Left femoral pulse not felt.\nPlease come now.",
    },
    {"line": NOW, "at": "2026-03-01T09:10:00+01:00", "to": {"name": "On call; ward/3", "role": "other"}},
    {
        "line": NOW,
        "at": "2026-03-01T08:40:00+00:00",
        "to": {"identifier": {"system": "https://hospital.invalid/staff", "value": "D-8"}, "role": "physician"},
        "read_back": False,
    },
]


def record(told: list[dict[str, Any]], **exam: str) -> dict[str, Any]:
    """The capture record."""
    found: dict[str, Any] = {
        "version": 1,
        "exam": {
            "id": "told-1",
            "kind": "shift",
            "started": "2026-03-01T08:30:00+01:00",
            "examiners": [{"name": "A. Example", "role": "nurse"}],
            **exam,
        },
        "newborn": {
            "identifiers": [{"system": "https://hospital.invalid/mrn", "value": "4711"}],
            "name": "Boy Nobody",
            "sex": "male",
            "birth_time": "2026-02-28T21:12:00+01:00",
        },
        "findings": [
            {"item": "oxygen_saturation", "site": "right_foot", "value": {"value": 84, "unit": "%"}},
            {"item": "femoral_pulse", "side": "left", "value": "absent"},
            {"item": "femoral_pulse", "side": "right", "value": "absent"},
            {"item": "red_reflex", "side": "left", "not_examined": "crying"},
            {"item": "ortolani", "side": "left", "value": "positive_clunk"},
        ],
    }
    return found | ({"told": told} if told else {})


def read(data: dict[str, Any], folder: Path) -> Exam:
    """The exam of a record, through a file."""
    path = folder / "exam.json"
    path.write_text(json.dumps(data), encoding="utf-8")
    (reading,) = read_captures(path, CATALOGUE)
    assert reading.exam is not None, reading.problems
    assert reading.accepted, reading.problems
    return reading.exam


def with_tellings(exam: Exam) -> Exam:
    """The exam with somebody told of two lines; of one of them nobody knows whether it was read back."""
    at = exam.details.started.isoformat()
    told = [
        {"line": "femoral_pulse.absent/left", "at": at, "to": {"name": "N", "role": "physician"}, "read_back": True},
        {"line": "hip_scan", "at": at, "to": {"name": "N", "role": "nurse"}, "by": {"name": "M", "role": "midwife"}},
    ]
    return Exam.model_validate({**exam.record(), "told": told})
