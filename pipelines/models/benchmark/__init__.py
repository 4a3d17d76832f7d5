"""Sites compared once their mix and environment are allowed for: numbers in, numbers out."""

from pipelines.models.benchmark.comparison import by_ratio, clients_compared, compared_sites
from pipelines.models.benchmark.parts import PARTS, inspector_strictness, ratio_parts
from pipelines.models.benchmark.reference import FACTORS, SiteReference, site_references

__all__ = [
    "FACTORS",
    "PARTS",
    "SiteReference",
    "by_ratio",
    "clients_compared",
    "compared_sites",
    "inspector_strictness",
    "ratio_parts",
    "site_references",
]
