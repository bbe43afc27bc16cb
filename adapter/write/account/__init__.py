"""An exam told to people, in blocks: what the readable report and the document's narratives share."""

from adapter.write.account.compared import comparison
from adapter.write.account.findings import region_table, score_tables
from adapter.write.account.gaps import not_examined, not_recorded, withheld_list
from adapter.write.account.growth import growth_plots
from adapter.write.account.sources import Sources
from adapter.write.account.told import tell_notices
from adapter.write.account.who import about_exam, about_mother, about_newborn, running, standing

__all__ = [
    "Sources",
    "about_exam",
    "about_mother",
    "about_newborn",
    "comparison",
    "growth_plots",
    "not_examined",
    "not_recorded",
    "region_table",
    "running",
    "score_tables",
    "standing",
    "tell_notices",
    "withheld_list",
]
