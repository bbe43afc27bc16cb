"""A drop folder: exams go from files to a server, and each file ends beside a report of what became of it."""

from adapter.transport.watch.folder import DropFolder, FolderInUse
from adapter.transport.watch.intake import Intake
from adapter.transport.watch.journal import Journal
from adapter.transport.watch.metrics import Metrics, served
from adapter.transport.watch.watcher import Pace, Watcher

__all__ = ["DropFolder", "FolderInUse", "Intake", "Journal", "Metrics", "Pace", "Watcher", "served"]
