"""The bedside page: one self-contained HTML file that records an exam at the cot side and saves a capture file.

The page is put together from the small files beside this module: ``style/`` and ``script/`` (plain CSS, plain ES
modules, joined into one script in the order of their imports), and the catalogue as data. It asks nothing of a
network; its content security policy lets nothing else run or load (W3C Content Security Policy Level 3, hashes).
"""

from __future__ import annotations

from adapter.forms.page.assemble import to_page
from adapter.forms.page.data import page_data

__all__ = ["page_data", "to_page"]
