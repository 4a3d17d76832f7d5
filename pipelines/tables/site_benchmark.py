"""Sites compared once their mix and environment are allowed for, and what that adjustment did."""

import duckdb
import pandas as pd

from pipelines.contracts import benchmark_rules
from pipelines.models.benchmark import (
    compared_sites,
    inspector_strictness,
    ratio_parts,
    site_references,
    size_bands,
)
from pipelines.shipped import statement


def site_benchmark(con: duckdb.DuckDBPyConnection) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the tables `site_benchmark` and `site_benchmark_parts`, both of one set of references.

    Reads `exposures`, `current_lines` and `site_register`.
    """
    rules = benchmark_rules()
    cells = con.execute(statement("pipelines.tables", "site_benchmark.sql")).df()
    cells["size_band"] = size_bands(cells["nominal_size_mm"], rules.size_bands_up_to_mm)
    references = list(site_references(cells, rules))
    strictness = inspector_strictness(cells, references, rules)
    return compared_sites(references, rules), ratio_parts(references, strictness)
