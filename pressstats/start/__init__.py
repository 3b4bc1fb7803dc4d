"""The first hour: from a folder of a plant's own exports to a ``plant.toml`` that reads them.

``found`` opens what lies there, `words` knows the trade's words, `recognising` hears names, cells and the other tables,
`meanings` translates what stands in cells and finds units, `customs` what makes an identifier and the days of nights;
`proposal` writes, `asking` asks, `templates` makes a workbook for what is not logged yet.
"""

from .asking import ask
from .proposal import Proposal, describe, plant_toml, propose
from .templates import write_templates

__all__ = ["Proposal", "ask", "describe", "plant_toml", "propose", "write_templates"]
