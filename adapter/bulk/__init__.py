"""Many exams: a work on folders and NDJSON of any size, in flat memory, on every processor, resumed after a stop.

The works are :class:`adapter.bulk.convert.Convert`, :class:`adapter.bulk.validate.Validate` and
:class:`adapter.bulk.extract.Extract`; each is loaded only where it is used. ``adapter.bulk.spark`` has the same for a
cluster.
"""

from adapter.bulk.run import Summary, jobs_here, run, stream
from adapter.bulk.work import BulkError, Tally, Work

__all__ = ["BulkError", "Summary", "Tally", "Work", "jobs_here", "run", "stream"]
