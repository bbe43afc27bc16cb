"""A site rehearsed before it goes live: everything its catalogue has, through every form that it writes."""

from adapter.run.rehearsal.fired import rules_at_work
from adapter.run.rehearsal.forms import Form, forms_of
from adapter.run.rehearsal.rehearse import Rehearsal, rehearse, short_of

__all__ = ["Form", "Rehearsal", "forms_of", "rehearse", "rules_at_work", "short_of"]
