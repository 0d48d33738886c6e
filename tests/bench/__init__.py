"""Commands that print tables; run one as ``python -m tests.bench.side_by_side``."""
