"""Sites compared once their mix and environment are allowed for, and what that adjustment did."""

import duckdb
import pandas as pd

from pipelines.contracts import benchmark_rules
from pipelines.models.benchmark import (
    compared_sites,
    inspector_strictness,
    ratio_parts,
    site_references,
)
from pipelines.shipped import statement
from pipelines.tables.item_kinds import make_place_kinds


def site_benchmark(con: duckdb.DuckDBPyConnection) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the tables `site_benchmark` and `site_benchmark_parts`, both of one set of references.

    Reads `exposures`, the sums of the lines and `site_register`.
    """
    rules = benchmark_rules()
    make_place_kinds(con)
    cells = con.execute(statement("pipelines.tables", "site_benchmark.sql")).df()
    references = list(site_references(cells, rules))
    strictness = inspector_strictness(cells, references, rules)
    return compared_sites(references, rules), ratio_parts(references, strictness)
