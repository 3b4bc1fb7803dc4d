"""The invented plant: a simulation whose truths are known, written as logs."""

from .write import DEFAULT_SEED, write_demo

__all__ = ["DEFAULT_SEED", "write_demo"]
