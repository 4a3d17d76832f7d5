"""What the rates and the shares in service would be if looks missed some of what is there."""

import duckdb
import pandas as pd

from pipelines.contracts import load_contract
from pipelines.models.detection import detection_sensitivity as rates_if_looks_miss
from pipelines.models.detection import share_in_service_if_looks_miss
from pipelines.models.hazard import grouped_looks
from pipelines.shipped import statement


def detection_sensitivity(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return the table `detection_sensitivity`, from `exposures` and `interval_recommendations`."""
    looks = grouped_looks(con.execute(statement("pipelines.tables", "group_looks.sql")).df())
    columns = load_contract("detection_sensitivity").column_names
    if looks.empty:
        return pd.DataFrame(columns=columns)
    rates = rates_if_looks_miss(looks, ["place"], ["place", "group_id"])
    advised = con.execute(
        "select rowid as place, client, site, environment, recommended_interval_months from interval_recommendations"
        " order by client, site, environment"
    )
    rates = (
        advised.df()
        .merge(rates, on="place")
        .rename(columns={"rate": "rate_if_missed", "factor": "rate_factor"})
    )
    in_service = share_in_service_if_looks_miss(
        rates["rate_if_missed"], rates["recommended_interval_months"].astype(float), rates["detection"]
    )
    return rates.assign(in_service_if_missed=in_service)[columns]
