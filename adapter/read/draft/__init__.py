"""Column plans drafted from a table, for a person to decide what is left open."""

from adapter.read.draft.draft import Draft, draft_plan
from adapter.read.draft.page import draft_page

__all__ = ["Draft", "draft_page", "draft_plan"]
