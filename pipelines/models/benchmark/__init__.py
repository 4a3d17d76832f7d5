"""Sites compared once their mix and environment are allowed for: numbers in, numbers out."""

from pipelines.models.benchmark.comparison import compared_sites
from pipelines.models.benchmark.reference import FACTORS, SiteReference, site_references

__all__ = ["FACTORS", "SiteReference", "compared_sites", "site_references"]
