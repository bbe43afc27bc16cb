"""Without node the page's script cannot be run here: its file of tests is not collected (CI has node and runs it)."""

from __future__ import annotations

import shutil

collect_ignore = [] if shutil.which("node") else ["test_page_agreement.py"]
