"""The bedside page as people can read it: its data out of gzip and base64."""

from __future__ import annotations

import base64
import gzip
import re

_PACKED = re.compile(rb'(<script type="application/gzip" id="catalogue">)([^<]*)')


def unpacked(packed: bytes | str) -> bytes:
    """The JSON of the page's data; gzip's own bytes may differ with the machine, these do not."""
    return gzip.decompress(base64.b64decode(packed))


def legible(page: bytes) -> bytes:
    """The whole page with its data as JSON."""
    return _PACKED.sub(lambda found: found[1] + unpacked(found[2]), page)
