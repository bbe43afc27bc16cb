"""The quality of the data in an extract: what is missing, what is doubtful, by which published measure.

It reads the tables of an extract, nothing else, and judges data: never a person, and no group that is too small.
"""

from adapter.write.quality.checks import BadChecks, QualityChecks, load_checks
from adapter.write.quality.compared import compare
from adapter.write.quality.data import records_of
from adapter.write.quality.look import Findings, look
from adapter.write.quality.report import report
from adapter.write.tables.folder import NoTables

__all__ = [
    "BadChecks",
    "Findings",
    "NoTables",
    "QualityChecks",
    "compare",
    "load_checks",
    "look",
    "records_of",
    "report",
]
