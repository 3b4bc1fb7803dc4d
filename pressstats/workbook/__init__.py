"""The workbook: frames to start from, what their columns mean, and what can be moved by hand."""

from .describing import describe, described
from .exploring import Exploring, halves
from .sliders import by_hand

__all__ = ["Exploring", "by_hand", "describe", "described", "halves"]
