"""Worlds: invented plants that differ from the demo in one honest way each, and what is true of them."""

from .catalogue import WORLDS, World, make
from .truth import Truth

__all__ = ["WORLDS", "Truth", "World", "make"]
