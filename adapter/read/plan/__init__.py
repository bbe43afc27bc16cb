"""Column plans: any table of births or exams to capture records."""

from adapter.read.plan.load import load_plan
from adapter.read.plan.model import Plan
from adapter.read.plan.read import read_piece, read_table, unread_columns
from adapter.read.plan.schema import plan_schema

__all__ = ["Plan", "load_plan", "plan_schema", "read_piece", "read_table", "unread_columns"]
