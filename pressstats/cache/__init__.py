"""What was computed before, kept by the digest of all that it depends on: Parquet, NumPy's arrays and JSON, no code."""

from .entries import cached
from .source import source_digest

__all__ = ["cached", "source_digest"]
