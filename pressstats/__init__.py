"""pressstats: where a newspaper plant's paper and ink went, what it will need, and what to order."""

__all__ = ["__version__"]

__version__ = "0.1.0"
