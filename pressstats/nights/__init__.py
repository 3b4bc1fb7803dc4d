"""Nights: what the coming week and tonight will take, and what is to be laid out for it."""

from .coming import coming_days, coming_paper

__all__ = ["coming_days", "coming_paper"]
