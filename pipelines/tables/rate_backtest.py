"""The rates held against the quarters that came after them."""

from datetime import date

import pandas as pd

from pipelines.contracts import load_contract, risk_targets
from pipelines.models.backtest import backtest_rates
from pipelines.tables.pooled_rates import COVARIATES

ORIGINS = 4
MONTHS_AHEAD = 3


def rate_backtest(looks: pd.DataFrame, as_of: date | None) -> pd.DataFrame:
    """Return the table `rate_backtest`, from `hazard_looks`: the last year in quarters, each from what was known before."""
    columns = load_contract("rate_backtest").column_names
    if as_of is None:
        return pd.DataFrame(columns=columns)
    ends = pd.Timestamp(as_of) + pd.offsets.MonthEnd(0)
    origins = [ends - pd.offsets.MonthEnd(MONTHS_AHEAD * back) for back in range(ORIGINS, 0, -1)]
    held = backtest_rates(looks, COVARIATES, origins, MONTHS_AHEAD, risk_targets().rate_limits_level)
    return held.reindex(columns=columns)
