"""One way in: any input to Exams, and everything that is wrong with them; and the capture record written again.

Beside it, each loaded where it is used: ``bundle`` (from_bundle), ``oru`` (from_oru), ``csv_writer`` (to_csv),
``reassignment`` (reassign).
"""

from adapter.derive.completeness import NotRecorded, completeness
from adapter.read.check import check_exam
from adapter.read.inputs import read
from adapter.read.json_writer import to_json
from adapter.read.reading import Reading

__all__ = [
    "NotRecorded",
    "Reading",
    "check_exam",
    "completeness",
    "read",
    "read_captures",
    "to_json",
]

read_captures = read
