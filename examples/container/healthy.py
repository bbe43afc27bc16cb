"""Whether a container's service answers: exit code 0 if so. ``python healthy.py URL [SECONDS]``

With SECONDS the address is that of the watch's numbers, and it looked through its folder in the last SECONDS.
"""

import re
import sys
import time
from urllib.request import urlopen

LOOKED = r"^newborn_adapter_watch_last_look_timestamp_seconds (\S+)$"


def healthy(url: str, seconds: float | None) -> bool:
    """Raises ``OSError`` where nothing answers."""
    with urlopen(url, timeout=5) as answer:  # noqa: S310  (the address stands in compose.yaml)
        text = answer.read().decode()
    if seconds is None:
        return True
    looked = re.search(LOOKED, text, re.MULTILINE)
    return looked is not None and time.time() - float(looked[1]) < seconds


if __name__ == "__main__":
    try:
        sys.exit(0 if healthy(sys.argv[1], float(sys.argv[2]) if len(sys.argv) > 2 else None) else 1)
    except OSError as error:
        sys.exit(f"{sys.argv[1]}: {error}")
