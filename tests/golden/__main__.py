"""``python -m tests.golden``: see :mod:`tests.golden`."""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser
from pathlib import Path

from tests.golden.digests import DIGESTS, digest, digests
from tests.golden.outputs import outputs


def main() -> int:
    """Compare, accept, or leave everything in a folder."""
    parser = ArgumentParser(prog="python -m tests.golden")
    parser.add_argument("--write", action="store_true", help="accept what is written now")
    parser.add_argument("--dump", type=Path, metavar="DIR", help="leave every output in a file below DIR")
    given = parser.parse_args()
    kept, now = digests(), {}
    for name, content in outputs():
        now[name] = digest(content)
        if given.dump is not None:
            path = given.dump / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
    changed = sorted(name for name in kept.keys() | now.keys() if kept.get(name) != now.get(name))
    for name in changed:
        print(f"{'new' if name not in kept else 'gone' if name not in now else 'changed'}: {name}")
    print(f"{len(now)} outputs, {len(changed)} of them not as they were")
    if given.write:
        DIGESTS.write_text(json.dumps(now, indent=0, sort_keys=True) + "\n", encoding="utf-8")
        return 0
    return bool(changed)


sys.exit(main())
