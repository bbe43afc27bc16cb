"""One way in: any input to Exams, and everything that is wrong with them; and the capture record written again."""

from adapter.derive.completeness import NotRecorded, completeness
from adapter.read.bundle import NotReadable, from_bundle
from adapter.read.check import check_exam
from adapter.read.csv_writer import to_csv
from adapter.read.inputs import read
from adapter.read.json_writer import to_json
from adapter.read.oru import from_oru
from adapter.read.reading import Reading
from adapter.read.reassignment import NotReassigned, Reassignment, reassign

__all__ = [
    "NotReadable",
    "NotReassigned",
    "NotRecorded",
    "Reading",
    "Reassignment",
    "check_exam",
    "completeness",
    "from_bundle",
    "from_oru",
    "read",
    "read_captures",
    "reassign",
    "to_csv",
    "to_json",
]

read_captures = read
