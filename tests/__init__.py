"""Makes ``python -m tests.bench`` and ``python -m tests.outside`` mean this folder, whatever else is installed."""
