"""One way in: any input to Exams, and everything that is wrong with them; and the capture record written again."""

from adapter.derive.completeness import NotRecorded, completeness
from adapter.read.check import check_exam
from adapter.read.csv_writer import to_csv
from adapter.read.files import read_captures
from adapter.read.json_writer import to_json
from adapter.read.readback import NotReadable, from_bundle
from adapter.read.reading import Reading

__all__ = [
    "NotReadable",
    "NotRecorded",
    "Reading",
    "check_exam",
    "completeness",
    "from_bundle",
    "read_captures",
    "to_csv",
    "to_json",
]
