"""Many exams: a work on folders and NDJSON of any size, in flat memory, on every processor, resumed after a stop.

``adapter.bulk.spark`` has the same for a cluster.
"""

from adapter.bulk.convert import Convert, Layout
from adapter.bulk.exams import rows_of_plan
from adapter.bulk.rows import Rows
from adapter.bulk.run import Summary, jobs_here, run, stream
from adapter.bulk.validate import Validate
from adapter.bulk.work import BulkError, Tally, Work

__all__ = [
    "BulkError",
    "Convert",
    "Layout",
    "Rows",
    "Summary",
    "Tally",
    "Validate",
    "Work",
    "jobs_here",
    "rows_of_plan",
    "run",
    "stream",
]
