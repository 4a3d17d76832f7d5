"""The plan for a buyer: removals to come, orders and costs, as things stand and as they might."""

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.contracts import OrderTerms, benchmark_rules
from pipelines.faults import RequestFault
from pipelines.models.benchmark.disclosure import thin_classes
from pipelines.models.forecast import (
    BANDS,
    DRAWS,
    HORIZON_MONTHS,
    SEED,
    Calendar,
    Rates,
    Round,
    Samples,
    bands,
    forecast_rates,
    kind_factors,
    kind_rates,
    no_removals,
    observed_slips,
    removed_by_month,
    simulate_removals,
)
from pipelines.models.hazard import PLACE
from pipelines.models.orders import horizon_days, plan_orders, share_kept

CURRENT, RECOMMENDED = "current", "recommended"
TODAY, WHAT_IF = "as things stand", "what if"
GROUP = ["client", "site", "item_class"]
NO_CURRENCY = "not stated"
MONEY = ["cost_per_month", "cost_per_month_lower", "cost_per_month_upper"]


@dataclass(frozen=True)
class PlanningInputs:
    """What a plan is made from, as the statements `replacement_forecast`, `forecast_history`, `look_gaps` and
    `order_plan` and the table `hazard_model` give it; `limits_level` is that of the limits of its rates.
    """

    as_of: date
    fleet: pd.DataFrame
    history: pd.DataFrame
    gaps: pd.DataFrame
    model: pd.DataFrame
    stock: pd.DataFrame
    limits_level: float


@dataclass(frozen=True)
class Scenario:
    """How things stand, or might: terms of orders, `intervals` (current or recommended), growth of the fleet [share a
    year], and a site whose like is added ('' for none).
    """

    terms: OrderTerms
    intervals: str = CURRENT
    fleet_growth: float = 0.0
    added_site_like: str = ""


@dataclass(frozen=True)
class Forecast:
    """Removals of a fleet over the next 12 months, drawn together.

    `groups` names each client, site and item class, its items in service and what its rate rests on, in the order of
    `samples` (groups, months, draws); a group without a rate has no samples that mean anything, and `has_rate` False.
    `fleet` holds the rows of everybody, those of whoever was asked for with `is_asked_for`, and `rates` what is known of
    the rate of each.
    """

    months: list[str]
    fleet: pd.DataFrame
    rates: Rates
    rounds: list[Round]
    groups: pd.DataFrame
    samples: Samples

    def by_group(self) -> pd.DataFrame:
        """Return the bands of each client, site, item class and month."""
        found = _banded(self.samples, self.groups, self.months)
        found.loc[~found["has_rate"], BANDS] = np.nan
        return found

    def sums(self, by: list[str]) -> pd.DataFrame:
        """Return the bands of sums over all groups that are alike in `by`, month by month."""
        keys, samples = self.summed(by)
        return _banded(samples, keys, self.months)

    def year(self, by: list[str]) -> pd.DataFrame:
        """Return the bands of the 12 months together, of sums over all groups that are alike in `by`."""
        keys, samples = self.summed(by)
        return keys.join(bands(samples.sum(axis=1)))

    def summed(self, by: list[str]) -> tuple[pd.DataFrame, Samples]:
        """Return the sums of the draws over all groups with a rate that are alike in `by`, and what names them."""
        kept = self.groups[self.groups["has_rate"]]
        keys = kept[by].drop_duplicates().sort_values(by, ignore_index=True)
        number = pd.MultiIndex.from_frame(keys).get_indexer(pd.MultiIndex.from_frame(kept[by]))
        total = no_removals(number, kept["items_in_service"].to_numpy(), self.samples.shape[1:])
        for group, position in zip(kept.index, number, strict=True):
            total[position] += self.samples[group]
        return keys, total


@dataclass(frozen=True)
class Plan:
    """A forecast, and the orders, their totals and the costs by month that follow from it; all empty but the forecast
    where a plan is for one site, since stock is held by clients.
    """

    scenario: Scenario
    forecast: Forecast
    orders: pd.DataFrame
    totals: pd.DataFrame
    costs: pd.DataFrame

    def orders_by_client(self) -> list[pd.DataFrame]:
        """Return the order plan of each client as one frame each."""
        return [of_client for _, of_client in self.orders.groupby("client", sort=True)]

    def to_order_by_client(self) -> list[pd.DataFrame]:
        """Return the item classes that each client should order now, as one frame each."""
        return [of_client for _, of_client in self.to_order().groupby("client", sort=True)]

    def remarks(self) -> pd.DataFrame:
        """Return the item classes with a remark."""
        return self.orders[self.orders["plan_note"].notna()].reset_index(drop=True)

    def to_order(self) -> pd.DataFrame:
        """Return the item classes to order now, the earliest day first and of these the highest risk."""
        due = self.orders[self.orders["order_quantity"].astype(float) > 0]
        return due.sort_values(
            ["order_on", "risk_of_running_out"], ascending=[True, False], kind="stable", ignore_index=True
        )


def make_plan(inputs: PlanningInputs, scenario: Scenario, client: str = "", site: str = "") -> Plan:
    """Return the plan of a scenario, of one client or site where asked; raises as `make_forecast` does.

    Parameters
    ----------
    inputs : PlanningInputs
        What a plan is made from.
    scenario : Scenario
        How things stand, or might.
    client, site : str
        Of this client or site only; '' for all.
    """
    forecast = make_forecast(inputs, scenario, client, site)
    of_site = replace(inputs, stock=inputs.stock.iloc[:0])
    orders = make_orders(of_site if site else inputs, scenario, forecast, client)
    return Plan(scenario, forecast, orders, order_totals(orders, forecast), costs_by_month(orders, forecast))


def side_by_side(today: Plan, changed: Plan) -> pd.DataFrame:
    """Return what two plans come to, two rows for each client and currency: as things stand, and as they might.

    `removals_expected`, `removals_lower` and `removals_upper` are those of 12 months, with the 80 % band of their sum.
    """
    rows = []
    for words, plan in ((TODAY, today), (WHAT_IF, changed)):
        year = plan.forecast.year(["client"])
        removals = year[["client", "expected", "lower_80", "upper_80"]].set_axis(
            ["client", "removals_expected", "removals_lower", "removals_upper"], axis="columns"
        )
        money = plan.totals.drop(columns="item_classes")
        rows.append(removals.merge(money, on="client", how="left").assign(scenario=words))
    both = pd.concat(rows, ignore_index=True)
    whole = ["removals_lower", "removals_upper", "to_order", "order_quantity"]
    return both.sort_values(["client", "currency"], kind="stable", ignore_index=True).astype(
        dict.fromkeys(whole, "Int64")
    )


def make_forecast(
    inputs: PlanningInputs,
    scenario: Scenario,
    client: str = "",
    site: str = "",
    like: Forecast | None = None,
) -> Forecast:
    """Return the removals of the next 12 months, of one client or site where asked.

    All places and classes inform the rates; the draws of a client are the same whether the others are asked for or not.

    Parameters
    ----------
    inputs : PlanningInputs
        What a plan is made from.
    scenario : Scenario
        How things stand, or might.
    client, site : str
        Of this client or site only; '' for all.
    like : Forecast
        Made before for a scenario that differs in its intervals only. What does not hang on them is taken from it, which
        changes no figure.

    Raises
    ------
    RequestFault
        There is no such interval choice, or no site to add another like.
    """
    fleet = scenario_fleet(inputs.fleet, scenario, client)
    rates = like.rates if like else _rates(inputs, fleet)
    is_wanted = np.ones(len(fleet), dtype=bool)
    for column, value in (("client", client), ("site", site)):
        if value:
            is_wanted &= (fleet[column] == value).to_numpy()
    horizon = horizon_days(inputs.stock, scenario.terms)
    calendar, drawn = _calendar(inputs, scenario), like.rounds if like else []
    rounds = simulate_removals(fleet, rates, calendar, is_wanted, horizon, drawn=drawn)
    months, ends = months_ahead(inputs.as_of)
    fleet = fleet.assign(has_rate=rates.has_rate, basis=rates.basis, is_asked_for=is_wanted)
    wanted = fleet[is_wanted]
    groups = wanted.groupby(GROUP, as_index=False, sort=True).agg(
        items_in_service=("quantity", "sum"),
        has_rate=("has_rate", "all"),
        basis=("basis", lambda bases: "; ".join(sorted(set(bases)))),
    )
    number = np.full(len(fleet), -1, dtype=np.intp)
    number[is_wanted] = pd.MultiIndex.from_frame(groups[GROUP]).get_indexer(
        pd.MultiIndex.from_frame(wanted[GROUP])
    )
    samples = removed_by_month(rounds, ends, number, fleet["quantity"].to_numpy())
    if not rounds:
        samples = np.zeros((len(groups), HORIZON_MONTHS, DRAWS), dtype=np.uint8)
    return Forecast(months, fleet, rates, rounds, groups, samples)


def make_orders(
    inputs: PlanningInputs, scenario: Scenario, forecast: Forecast, client: str = ""
) -> pd.DataFrame:
    """Return the order plan of each client and item class, or of one client, in the columns of its contract.

    Parameters
    ----------
    inputs : PlanningInputs
        What a plan is made from.
    scenario : Scenario
        How things stand, or might.
    forecast : Forecast
        The removals of the same scenario.
    client : str
        Of this client only; '' for all.
    """
    stock = inputs.stock
    if client:
        stock = stock[stock["client"] == client].reset_index(drop=True)
    plan = plan_orders(forecast.fleet, forecast.rounds, stock, scenario.terms, DRAWS, SEED)
    order_on = pd.to_datetime(inputs.as_of) + pd.to_timedelta(plan["order_on"].astype(float), unit="D")
    return stock[["client", "item_class", "supplier", "currency"]].join(plan.assign(order_on=order_on))


def currency_of(orders: pd.DataFrame) -> pd.Series:
    """Return the currency that each row of an order plan is added up in; `NO_CURRENCY` where it has no price."""
    return orders["currency"].where(orders["unit_cost"].notna()).fillna(NO_CURRENCY)


def order_totals(orders: pd.DataFrame, forecast: Forecast) -> pd.DataFrame:
    """Return the totals of an order plan, one row for each client and currency; currencies are never added.

    The cost is that of the item classes to order that have a price; empty where none of them has one.
    Bands of the cost of a month are those of the sum over item classes, which is narrower than the sum of their bands.
    """
    is_ordered = orders["order_quantity"].astype(float) > 0
    orders = orders.assign(currency=currency_of(orders), is_unpriced=is_ordered & orders["unit_cost"].isna())
    keys = ["client", "currency"]
    # What is not ordered costs 0, which beside an order without a price would look like its cost.
    is_any_ordered = is_ordered.groupby([orders[key] for key in keys]).transform("any")
    orders["order_cost"] = orders["order_cost"].where(is_ordered | ~is_any_ordered)
    totals = orders.groupby(keys, as_index=False, sort=True).agg(
        item_classes=("item_class", "size"),
        to_order=("order_quantity", lambda quantity: int((quantity > 0).sum())),
        order_quantity=("order_quantity", "sum"),
        to_order_without_price=("is_unpriced", "sum"),
        order_cost=("order_cost", lambda cost: cost.sum(min_count=1)),
    )
    costs = _costs(orders, forecast)
    year = {key: bands(cost.sum(axis=0)[None]).iloc[0] / HORIZON_MONTHS for key, cost in costs.items()}
    for name, band in zip(MONEY, BANDS, strict=False):
        totals[name] = [
            year[key][band] if (key := (client, currency)) in year else np.nan
            for client, currency in zip(totals["client"], totals["currency"], strict=True)
        ]
    return totals


def costs_by_month(orders: pd.DataFrame, forecast: Forecast) -> pd.DataFrame:
    """Return what the removals of each month cost at today's prices, for each client and currency, with its 80 % band."""
    found = [
        bands(cost).assign(client=client, currency=currency, month=forecast.months)
        for (client, currency), cost in _costs(orders, forecast).items()
    ]
    names = {"expected": "cost_expected", "lower_80": "cost_lower", "upper_80": "cost_upper"}
    columns = ["client", "currency", "month", *names.values()]
    return (
        pd.concat(found, ignore_index=True).rename(columns=names)[columns]
        if found
        else pd.DataFrame(columns=columns)
    )


def scenario_fleet(fleet: pd.DataFrame, scenario: Scenario, client: str = "") -> pd.DataFrame:
    """Return the fleet of a scenario with its `interval_months`, the added site's rows included.

    Parameters
    ----------
    fleet : DataFrame
        As the statement `replacement_forecast` gives it.
    scenario : Scenario
        How things stand, or might.
    client : str
        A site is added like one of this client, and nobody else's is taken or named; '' for all.

    Raises
    ------
    RequestFault
        There are no such intervals, or no such site to be like.
    """
    if scenario.intervals not in (CURRENT, RECOMMENDED):
        raise RequestFault(
            f'There are no "{scenario.intervals}" intervals. Write {CURRENT} or {RECOMMENDED}.'
        )
    if scenario.added_site_like:
        own = fleet[fleet["client"] == client] if client else fleet
        like = own[own["site"] == scenario.added_site_like]
        if like.empty:
            raise RequestFault(
                f'There is no site "{scenario.added_site_like}" in service that another could be like.'
                f" Sites: {', '.join(sorted(own['site'].unique())) or 'none'}."
            )
        unknown = {"pooled_rate_lower": np.nan, "pooled_rate_upper": np.nan, "is_pooled": False}
        new = like.assign(site=f"new site like {scenario.added_site_like}", days_since_start=0, **unknown)
        fleet = pd.concat([fleet, new], ignore_index=True)
    return fleet.assign(interval_months=fleet[f"{scenario.intervals}_interval_months"])


def months_ahead(as_of: date) -> tuple[list[str], NDArray[np.int64]]:
    """Return the 12 months after a day that ends a month, and the last day of each, counted from it.

    >>> months, ends = months_ahead(date(2025, 12, 31))
    >>> months[:2], ends[:2].tolist()
    (['2026-01', '2026-02'], [31, 59])
    """
    months = pd.period_range(as_of + timedelta(days=1), periods=HORIZON_MONTHS, freq="M")
    ends = (months.end_time.normalize() - pd.Timestamp(as_of)).days
    return [str(month) for month in months], ends.to_numpy(dtype=np.int64)


def _rates(inputs: PlanningInputs, fleet: pd.DataFrame) -> Rates:
    level, model = inputs.limits_level, inputs.model
    places = fleet.drop_duplicates(PLACE).reset_index(drop=True)
    places = places.join(kind_rates(model, places, level))
    owners = pd.concat([fleet[["client", "item_class"]], inputs.history[["client", "item_class"]]])
    return forecast_rates(
        fleet.assign(kind_factor=kind_factors(model, fleet)),
        inputs.history.assign(kind_factor=kind_factors(model, inputs.history)),
        places,
        level,
        thin_classes(owners, inputs.history, benchmark_rules()),
    )


def _calendar(inputs: PlanningInputs, scenario: Scenario) -> Calendar:
    spread = inputs.model.loc[inputs.model["covariate"] == "spread of looks", "estimate"]
    look_sd = float(spread.fillna(0).iloc[0]) if len(spread) else 0.0
    return Calendar(observed_slips(inputs.gaps), look_sd, scenario.fleet_growth)


def _costs(orders: pd.DataFrame, forecast: Forecast) -> dict[tuple[str, str], NDArray]:
    """Return the cost of the removals of each client and currency in each draw, shape (months, draws)."""
    keys, samples = forecast.summed(["client", "item_class"])
    priced = orders[orders["unit_cost"].notna()]
    lines = keys.merge(priced, on=["client", "item_class"], how="left")
    price = (lines["unit_cost"] / share_kept(lines["share_rejected"].fillna(0))).fillna(0).to_numpy()
    has_price = lines["unit_cost"].notna().to_numpy()
    positions = np.flatnonzero(has_price)
    named = lines[has_price].fillna({"currency": NO_CURRENCY})
    groups = {
        key: rows.index.to_numpy()
        for key, rows in named.reset_index(drop=True).groupby(["client", "currency"])
    }
    return {
        (str(key[0]), str(key[1])): np.tensordot(
            price[positions[rows]], samples[positions[rows]], axes=([0], [0])
        )
        for key, rows in groups.items()
    }


def _banded(samples: Samples, keys: pd.DataFrame, months: list[str]) -> pd.DataFrame:
    rows = keys.loc[keys.index.repeat(len(months))].reset_index(drop=True)
    rows["month"] = np.tile(months, len(keys))
    return rows.join(bands(samples.reshape(-1, samples.shape[2])))
