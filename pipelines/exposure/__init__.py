"""Pairs each look at a group with the one before it: shackle-years, items that joined, items unaccounted for."""

from pipelines.exposure.exposures import build_exposures

__all__ = ["build_exposures"]
