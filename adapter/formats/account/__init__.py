"""An exam told to people, in blocks: what the readable report and the document's narratives share."""

from adapter.formats.account.compared import comparison
from adapter.formats.account.findings import region_table, score_tables
from adapter.formats.account.gaps import not_examined, not_recorded, withheld_list
from adapter.formats.account.gathered import Account, account_of
from adapter.formats.account.growth import growth_plots
from adapter.formats.account.sources import Sources
from adapter.formats.account.told import tell_notices
from adapter.formats.account.who import about_exam, about_mother, about_newborn, running, standing

__all__ = [
    "Account",
    "Sources",
    "about_exam",
    "about_mother",
    "about_newborn",
    "account_of",
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
