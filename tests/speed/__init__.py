"""The speed benchmark: ``python -m tests.speed`` prints medians over several runs."""
