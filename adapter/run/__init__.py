"""Many exams: a work on folders and NDJSON of any size, in flat memory, on every processor, resumed after a stop.

The works are :class:`adapter.run.convert.Convert`, :class:`adapter.run.validate.Validate` and
:class:`adapter.run.extract.Extract`; each is loaded only where it is used. ``adapter.run.spark`` has the same for a
cluster.
"""

from adapter.run.run import Summary, jobs_here, run, stream
from adapter.run.work import BulkError, Tally, Work

__all__ = ["BulkError", "Summary", "Tally", "Work", "jobs_here", "run", "stream"]
