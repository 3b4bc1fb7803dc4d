"""The first hour: from a folder of a plant's own exports to a ``plant.toml`` that reads them.

``found`` opens what lies there, `words` knows the trade's words, `recognising` hears names, cells and the other tables,
`cellwords` translates what stands in cells, `proposal` writes.
"""

from .proposal import Proposal, describe, plant_toml, propose

__all__ = ["Proposal", "describe", "plant_toml", "propose"]
