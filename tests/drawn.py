"""How much the property tests draw: in the profile ``usual`` a quarter of what each asks for, and the same in every
run, so that a run is red for everybody or for nobody; in ``thorough`` twenty times what it asks for, and anew each
time (``pytest --hypothesis-profile=thorough``, by hand).

Neither has limits of time or size: that a machine was busy says nothing about the adapter.
"""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, settings

EXAMPLES = 50
UNLIMITED = [
    HealthCheck.too_slow,
    HealthCheck.data_too_large,
    HealthCheck.filter_too_much,
    HealthCheck.large_base_example,
]

settings.register_profile("thorough", max_examples=20 * EXAMPLES, deadline=None, suppress_health_check=UNLIMITED)
settings.register_profile(
    "usual", settings.get_profile("thorough"), max_examples=EXAMPLES // 4, derandomize=True, database=None
)
settings.load_profile("usual")


def usual() -> bool:
    """Whether tests run as they do every day, and not at length."""
    return settings.default.max_examples < EXAMPLES


def drawn(examples: int, **others: Any) -> settings:
    """So many examples, and in each profile as many more or fewer as it has; ``others`` as hypothesis has them."""
    return settings(max_examples=max(4, examples * settings.default.max_examples // EXAMPLES), **others)
