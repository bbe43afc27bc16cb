"""``python -m tests.outside [--sample] [JUDGE ...]``: have every bundle judged from outside (json_schema, medplum,
engine); with ``--sample`` the examples and every sixth of the others, as in CI, where minutes count.

Without names all judges are heard; the engine is left out, saying so, where there is no Java or no Maven. Exit code 1
when a judge finds an error, or finds none in a bundle that is broken on purpose.
"""

from __future__ import annotations

import sys
import time

from tests.examples.regenerate import names as example_names
from tests.outside.judged import broken, bundles, in_xml
from tests.outside.judges import Verdict, engine, json_schema, medplum, missing

JUDGES = {"json_schema": json_schema, "medplum": medplum, "engine": engine}


def main(names: list[str]) -> int:
    """Hear the judges; print what each says."""
    every = 6 if "--sample" in names else 1
    names = [name for name in names if name != "--sample"]
    if unknown := set(names) - set(JUDGES):
        print(f"no judge {', '.join(sorted(unknown))}; there are {', '.join(JUDGES)}")
        return 2
    if not names:
        names = list(JUDGES)
        if absent := missing("java", "mvn"):
            names.remove("engine")
            print(f"engine: NOT HEARD, this machine has no {' and no '.join(absent)}")
    examples = set(example_names())
    good = [one for n, one in enumerate(bundles()) if n % every == 0 or one[0] in examples]
    bad = list(broken())
    failed = False
    for name in names:
        began = time.perf_counter()
        given = [*good, *(list(in_xml())[::every] if name == "engine" else ())]  # the others read JSON alone
        verdict = JUDGES[name]([*given, *bad])
        failed |= not _said(name, verdict, len(given), [label for label, _ in bad], time.perf_counter() - began)
    return 1 if failed else 0


def _said(name: str, verdict: Verdict, wanted: int, bad: list[str], seconds: float) -> bool:
    overlooked = [label for label in bad if not verdict.errors.pop(label, [])]
    count = sum(len(errors) for errors in verdict.errors.values())
    print(f"{name}: {verdict.judged - len(bad)} bundles of {wanted}, {count} errors ({seconds:.0f} s)")
    for bundle, errors in list(verdict.errors.items())[:20]:
        print(*(f"  error: {bundle}: {error}" for error in errors[:5]), sep="\n")
    for remark, often in verdict.remarks.most_common(12):
        print(f"  {often} x {remark}")
    for label in overlooked:
        print(f"  overlooked: {label}")
    return not verdict.errors and not overlooked and verdict.judged == wanted + len(bad)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
