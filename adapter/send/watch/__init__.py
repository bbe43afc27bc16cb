"""A drop folder: exams go from files to a server, and each file ends beside a report of what became of it."""

from adapter.send.watch.folder import DropFolder, FolderInUse
from adapter.send.watch.intake import Intake
from adapter.send.watch.journal import Journal
from adapter.send.watch.metrics import Metrics, served
from adapter.send.watch.watcher import Pace, Watcher
from adapter.send.watch.whereabouts import Standing, Whereabout, Whereabouts

__all__ = [
    "DropFolder",
    "FolderInUse",
    "Intake",
    "Journal",
    "Metrics",
    "Pace",
    "Standing",
    "Watcher",
    "Whereabout",
    "Whereabouts",
    "served",
]
