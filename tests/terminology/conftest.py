"""A sandbox that holds our package and a small made-up edition."""

from __future__ import annotations

from collections.abc import Iterator

import edition
import pytest

from adapter.catalogue import Catalogue
from adapter.sandbox import SandboxSettings, Store, running
from adapter.sandbox.terminology import Definitions
from adapter.write.package import definitions


@pytest.fixture(scope="module")
def base(catalogue: Catalogue) -> Iterator[str]:
    held = Definitions([*definitions(catalogue), *edition.edition(catalogue)])
    with Store() as store, running(store, settings=SandboxSettings(definitions=held)) as url:
        yield url
