"""``python -m adapter.catalogue [SITE]``: lint the catalogue, and a site's folder if one is named."""

from __future__ import annotations

import sys
from pathlib import Path

from adapter.catalogue.lint import lint
from adapter.catalogue.load import CatalogueError, load_catalogue


def main(arguments: list[str]) -> int:
    """Print every problem; exit code 0 when there is none, else 1."""
    try:
        catalogue = load_catalogue(Path(arguments[0]) if arguments else None)
        problems = lint(catalogue)
    except CatalogueError as error:
        problems = error.problems
    else:
        print(f"{len(catalogue.items)} items in {len(catalogue.regions)} regions, {len(problems)} problems")
    for problem in problems:
        print(problem)
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
