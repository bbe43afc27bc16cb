"""Do the tests see a fault in a room? ``python -m tests.mutation ROOM [ROOM ...]``."""
