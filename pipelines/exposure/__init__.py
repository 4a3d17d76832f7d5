"""Pairs each look at a group with the one before it: shackle-years, items that joined, items unaccounted for."""

from pipelines.exposure.exposures import WORKING_TABLES, build_exposures, make_views

__all__ = ["WORKING_TABLES", "build_exposures", "make_views"]
