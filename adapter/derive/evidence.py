"""What rules look at."""

from __future__ import annotations

from adapter.derive.finding import FindingView as Evidence
from adapter.derive.finding import finding_views as evidence

__all__ = ["Evidence", "evidence"]
