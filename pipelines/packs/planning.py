"""Opens a store for the buyer's report: what a plan is made from, so that it can be asked what would be if."""

from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from pipelines.contracts import OrderTerms, order_terms
from pipelines.models.planning import CURRENT, Plan, PlanningInputs, Scenario, make_plan
from pipelines.packs.computed import look_back
from pipelines.packs.reading import open_month
from pipelines.tables.forecast_backtest import forecast_backtest
from pipelines.tables.read import read_table
from pipelines.tables.replacement_forecast import planning_inputs


@dataclass(frozen=True)
class OpenPlan:
    """What the plans of one client or site ('' for all) are made from, read into memory; how earlier forecasts of the
    client did; and goods of the client refused on receipt. The last two are empty where a site is asked for.
    """

    inputs: PlanningInputs
    client: str
    site: str
    backtest: pd.DataFrame
    rejects: pd.DataFrame

    def today(self) -> Plan:
        """Return the plan as things stand, the same as the result tables hold."""
        return make_plan(self.inputs, Scenario(order_terms()), self.client, self.site)

    def what_if(
        self,
        service_level: float = 0.0,
        review_days: int = 0,
        price_factor: float = 1.0,
        lead_time_factor: float = 1.0,
        fleet_growth: float = 0.0,
        intervals: str = CURRENT,
        added_site_like: str = "",
    ) -> Plan:
        """Return the plan as things might stand; 0 leaves the service level and the review period as the terms have them.

        Parameters
        ----------
        service_level, review_days : float, int
            Share of cases without running out, and days between two looks at the stock; 0 for the terms' own.
        price_factor, lead_time_factor : float
            Prices and lead times times this.
        fleet_growth : float
            Growth of the fleet in a year, such as 0.1.
        intervals : str
            Inspection intervals: `current` or `recommended`.
        added_site_like : str
            One more site like this one; '' for none.
        """
        terms = order_terms()
        changed: OrderTerms = replace(
            terms,
            service_level=service_level or terms.service_level,
            review_days=review_days or terms.review_days,
            price_factor=price_factor,
            lead_time_factor=lead_time_factor,
        )
        scenario = Scenario(changed, intervals, fleet_growth, added_site_like)
        return make_plan(self.inputs, scenario, self.client, self.site)


def open_plan(store: str, period: str = "", client: str = "", site: str = "", gear: str = "") -> OpenPlan:
    """Return what the plans of a month are made from.

    Parameters
    ----------
    store : str
        Path of the store's file.
    period : str
        Month of the report, YYYY-MM; '' for the month of the store's own tables.
    client, site : str
        Plans of this client or site only; '' for all.
    gear : str
        Gear family; '' for that of the store's own tables.

    Raises
    ------
    RequestFault
        There is no such store, month, gear family or client, or the store holds no line yet.
    """
    with open_month(Path(store), period, client, gear) as (con, readable, _, as_of):
        inputs = planning_inputs(con, as_of)
        # What tells of a client as a whole is not for a report of one of its sites.
        rejects = read_table(con, "supplier_rejects", client or None).iloc[: 0 if site else None]
        with look_back(readable) as earlier:
            backtest = pd.DataFrame() if site else forecast_backtest(earlier, as_of, client)
    return OpenPlan(inputs, client, site, backtest, rejects)
