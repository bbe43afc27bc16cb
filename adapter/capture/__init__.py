"""Captured exams in: any known input to Exams, everything that is wrong with them, and back to files."""

from adapter.capture.check import check_exam
from adapter.capture.csv_writer import to_csv
from adapter.capture.files import read_captures
from adapter.capture.json_writer import to_json
from adapter.capture.questionnaire import to_questionnaire, to_response
from adapter.capture.reading import Reading
from adapter.derive.completeness import NotRecorded, completeness

__all__ = [
    "NotRecorded",
    "Reading",
    "check_exam",
    "completeness",
    "read_captures",
    "to_csv",
    "to_json",
    "to_questionnaire",
    "to_response",
]
