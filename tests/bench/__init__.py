"""How fast, as ratios against a named baseline in the same run: ``python -m tests.bench``."""
