"""One way to run: a work on any inputs, few or many, in flat memory, on every processor, resumed after a stop.

The works are :class:`adapter.run.convert.Convert`, :class:`adapter.run.validate.Validate` and
:class:`adapter.run.extract.Extract`; each is loaded only where it is used. ``adapter.run.spark`` has the same for a
cluster.
"""

from adapter.run.inputs import Given, Stream, standard_input
from adapter.run.run import RunSummary, jobs_here, run, stream
from adapter.run.work import NotPossible, RunError, Tally, Work

__all__ = [
    "Given",
    "NotPossible",
    "RunError",
    "RunSummary",
    "Stream",
    "Tally",
    "Work",
    "jobs_here",
    "run",
    "standard_input",
    "stream",
]
