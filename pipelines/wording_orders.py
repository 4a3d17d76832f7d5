"""The sentences of the buyer's report, made from the same figures that its charts and tables show.

As in `wording`, every function takes rows of a result table, or a plan, and gives back a sentence or a list of them.
"""

import pandas as pd

from pipelines.contracts import OrderTerms
from pipelines.models.forecast import DAYS_IN_MONTH, POOLED
from pipelines.models.forecast_scores import LAST_12, LAST_YEAR
from pipelines.models.hazard import PLACE
from pipelines.models.orders import OVERDUE_ORDER
from pipelines.models.planning import NO_CURRENCY, Forecast, Plan
from pipelines.wording import NO_BREAK, counted, day_in_words, figure, listed, month_in_words, percent
from pipelines.wording_gear import of_gear, spoken_of
from pipelines.writing import written, written_label

LIKELY = 0.5
NOTICEABLE_BIAS = 0.02
BY_CLASS = "item class of a client"
LONGEST_LIST = 6
FIRST_LINES = 3
NO_SITE_PLAN = (
    "Stock is held for a client as a whole, so there is no order plan for one site: ask for the whole client. "
    "What is forecast for the site is shown below."
)
_CAUTIONS = [
    "A forecast says what records make likely. Whether a shackle stays in service is decided by whoever looks at it.",
    "What is found when more or other people look, or when nobody does, lies outside the bands.",
    "Items that were not presented are not forecast: what is lost has to be replaced as well.",
    "Check a code, a price and a lead time with the supplier before you order: the register may be out of date.",
]


_OF_PINS = (
    "A pin that does not belong to its body is a reason to remove the shackle. Pins are planned for apart only where a "
    "log says that a matching one was fitted."
)


def cautions() -> list[str]:
    """Return what to keep in mind with an order plan."""
    *others, last = [of_gear(caution) for caution in _CAUTIONS]
    return [*others, *([_OF_PINS] if spoken_of().pins else []), last]


def money(amount: float, currency: str) -> str:
    """Return an amount with its currency, in whole units as a person would say it.

    >>> money(8288.71, "USD"), money(0.4, "EUR")
    ('USD 8,289', 'EUR 0.40')
    """
    return (
        f"{currency} {written(amount)}" if amount >= 10 or amount == 0 else f"{currency} {written(amount, 2)}"
    )


def order_finding(orders: pd.DataFrame, totals: pd.DataFrame, terms: OrderTerms) -> str:
    """Return what one client should order now, at what cost, and by when.

    Parameters
    ----------
    orders : DataFrame
        Rows of `order_plan` of the client, at least one.
    totals : DataFrame
        Rows of `order_totals` of the client.
    terms : OrderTerms
        The terms of the plan; the service level is told.
    """
    client = orders["client"].iloc[0]
    due = orders[orders["order_quantity"].astype(float) > 0]
    known = orders[orders["order_quantity"].notna() & (orders["items_in_service"] > 0)]
    if known.empty:
        return f"For {client} nothing can be forecast yet, so no order is computed. It takes a second periodic inspection."
    if due.empty:
        return (
            f"{client} need not order now: in all {counted(len(known), 'item class', 'item classes')} the stock lasts "
            f"until the next order arrives in at least {percent(terms.service_level)} of cases."
        )
    cost = listed(
        [money(row["order_cost"], row["currency"]) for _, row in totals[totals["order_cost"] > 0].iterrows()]
        or ["a cost that no price is known for"]
    )
    unpriced = int(due["unit_cost"].isna().sum())
    rest = f", without the {counted(unpriced, 'item class that has', 'item classes that have')} no price" * (
        0 < unpriced < len(due)
    )
    return (
        f"{client} should order {counted(int(due['order_quantity'].sum()), 'shackle')} of "
        f"{counted(len(due), 'item class', 'item classes')} out of {len(known)}, for {cost}{rest}; the first by "
        f"{day_in_words(due['order_on'].min())}."
    )


def risk_finding(orders: pd.DataFrame) -> str:
    """Return what happens to one client that orders nothing; takes its rows of `order_plan`."""
    risk = orders["risk_of_running_out"].dropna()
    likely, late = risk[risk > LIKELY], orders["risk_before_delivery"].dropna()
    if risk.empty:
        return "Without a forecast the risk of running out is unknown."
    overdue = orders["risk_of_running_out"].notna() & orders["plan_note"].str.contains(
        OVERDUE_ORDER, regex=False, na=False
    )
    resting = (
        f" For {counted(int(overdue.sum()), 'item class', 'item classes')} the risk rests on an order that is past its day: the "
        "remarks say what it is if that never comes."
        if overdue.any()
        else ""
    )
    if likely.empty:
        return (
            f"If nothing is ordered, no item class is more likely than not to run out; the highest risk is {percent(risk.max())}."
            f"{resting}"
        )
    too_late = int((late > LIKELY).sum())
    more = (
        f" In {too_late} of them even an order placed today would probably come too late: ask for a quicker delivery, or "
        "move stock from where it is not needed."
        if too_late
        else ""
    )
    return (
        f"If nothing is ordered, {counted(len(likely), 'item class is', 'item classes are')} more likely than not to run "
        f"out before an order placed at the next review arrives.{more}{resting}"
    )


def most_urgent(orders: pd.DataFrame) -> list[str]:
    """Return a sentence for each of the first item classes to order, the earliest day and the highest risk first.

    Takes the rows of `order_plan` to order, in this order.
    """
    return [
        f"{_named(row)}: {written(int(row['order_quantity']))} by {day_in_words(row['order_on'])}{_for_cost(row)}; without it, "
        f"{percent(row['risk_of_running_out'])} risk of running out."
        for _, row in orders.head(FIRST_LINES).iterrows()
    ]


def most_urgent_opening(orders: pd.DataFrame) -> str:
    """Return what the list of the most urgent orders begins with; takes rows of `order_plan` of one client."""
    return f"Most urgent at {orders['client'].iloc[0]}:"


def in_brief(plan: Plan) -> list[str]:
    """Return what a buyer should know before anything else: what to order by when, the cost, the risk."""
    if plan.orders.empty:
        return [NO_SITE_PLAN, *(forecast_finding(plan.forecast, names) for names in scopes(plan.forecast))]
    said = []
    for orders in plan.orders_by_client():
        of_client = plan.totals[plan.totals["client"] == orders["client"].iloc[0]]
        costs = [cost_finding(row) for _, row in of_client.dropna(subset=["cost_per_month"]).iterrows()]
        said.append(
            " ".join([order_finding(orders, of_client, plan.scenario.terms), risk_finding(orders), *costs])
        )
    return said


def headline(plan: Plan) -> str:
    """Return the sentence that the index page shows."""
    if plan.orders.empty:
        return (
            " ".join(forecast_finding(plan.forecast, names) for names in scopes(plan.forecast))
            or NO_SITE_PLAN
        )
    return " ".join(
        order_finding(orders, plan.totals[plan.totals["client"] == client], plan.scenario.terms)
        for client, orders in plan.orders.groupby("client", sort=True)
    )


def cost_finding(total: pd.Series) -> str:
    """Return what replacements cost a client a month, from a row of `order_totals`."""
    ends = [money(total[f"cost_per_month_{end}"], "").strip() for end in ("lower", "upper")]
    return (
        f"Replacing what is removed costs about {money(total['cost_per_month'], total['currency'])} a month over the next "
        f"12 months, with 80{NO_BREAK}% probability {' to '.join(ends)}."
    )


def scopes(forecast: Forecast) -> list[dict[str, str]]:
    """Return what a report has one forecast chart of: each client, or the one site asked for."""
    own = forecast.groups
    by = ["client"] if own["site"].nunique() != 1 else ["client", "site"]
    return [
        dict(zip(by, map(str, names), strict=True))
        for names in own[by].drop_duplicates().itertuples(index=False)
    ]


def totals_of(totals: pd.DataFrame, names: dict[str, str]) -> pd.DataFrame:
    """Return the rows of `forecast_totals` of one client, or of one site where it is named, over all item classes."""
    rows = totals[(totals["client"] == names["client"]) & totals["item_class"].isna()]
    site = names.get("site")
    return rows[rows["site"].isna() if site is None else rows["site"] == site].sort_values("month")


def forecast_finding(forecast: Forecast, names: dict[str, str]) -> str:
    """Return how many removals are to come at one client or site, and in which month most."""
    by = list(names)
    year, months = forecast.year(by), forecast.sums(by)
    place = names.get("site") or names["client"]
    for column, value in names.items():
        year, months = year[year[column] == value], months[months[column] == value]
    if year.empty:
        return f"Nothing can be forecast for {place} yet: there is under one {of_gear('shackle-year')} of exposure to learn from."
    total, most = year.iloc[0], months.sort_values("expected", kind="stable").iloc[-1]
    late = overdue_places(forecast, names)
    why = ""
    if late and most["month"] == forecast.months[0]:
        why = (
            f", in which {counted(late, 'overdue inspection is', 'overdue inspections are')} taken to be held"
        )
    return (
        f"{place} can expect about {figure(total['expected'])} removals over the next 12 months, with "
        f"80{NO_BREAK}% probability {written(int(total['lower_80']))} to {written(int(total['upper_80']))}; the most in "
        f"{month_in_words(most['month'])}, about {figure(most['expected'])}{why}."
    )


def overdue_places(forecast: Forecast, names: dict[str, str]) -> int:
    """Return at how many places of a client or site some inspection is past its day."""
    fleet = forecast.fleet[forecast.fleet["is_asked_for"]]
    for column, value in names.items():
        fleet = fleet[fleet[column] == value]
    is_late = fleet["days_since_start"] > fleet["interval_months"] * DAYS_IN_MONTH + 1
    return len(fleet[is_late].drop_duplicates(PLACE))


def forecast_in_words(totals: pd.DataFrame) -> str:
    """Return what the chart of removals to come shows, for those who do not see it."""
    said = [
        f"{month_in_words(row['month'])} {figure(row['expected'])} ({int(row['lower_80'])} to {int(row['upper_80'])})"
        for _, row in totals.iterrows()
    ]
    return f"Chart of removals expected by month, with 80 % bands: {'; '.join(said) or 'no month'}."


def stock_finding(orders: pd.DataFrame, terms: OrderTerms) -> str:
    """Return how stock and orders compare with demand at one client, in one line above the chart."""
    known = orders[orders["demand_over_lead_time"].notna()]
    if known.empty:
        return "There is no demand to compare the stock with."
    short = int((known["order_quantity"] > 0).sum())
    if not short:
        return f"At {orders['client'].iloc[0]} no stock is too low for the demand it should meet."
    return (
        f"At {orders['client'].iloc[0]} stock and orders fall short in {short} of "
        f"{counted(len(known), 'item class', 'item classes')} of the demand to be met in {percent(terms.service_level)} of cases."
    )


def stock_in_words(orders: pd.DataFrame) -> str:
    """Return what the chart of stock against demand shows, for those who do not see it."""
    known = orders[orders["demand_over_lead_time"].notna()]
    first = known.sort_values("risk_of_running_out", ascending=False, kind="stable").head(LONGEST_LIST)
    said = [
        f"{_named(row)}: {_count(row['on_hand'])} in stock and {_count(row['on_order'])} on order against a demand of "
        f"{int(row['demand_over_lead_time'])}"
        for _, row in first.iterrows()
    ]
    return f"Chart of stock against demand, the highest risk first: {'; '.join(said) or 'no item class'}."


def pooling_finding(orders: pd.DataFrame) -> str:
    """Return what one stock for all sites saves against a stock at each site; takes rows of `order_plan` of one client."""
    known = orders[orders["stock_by_site"].notna()]
    together, apart = int(known["demand_over_lead_time"].sum()), int(known["stock_by_site"].sum())
    if apart <= together:
        return f"One stock for all sites needs {written(together)} {of_gear('shackles')}, as many as a stock at each site would need."
    return (
        f"One stock for all sites of {orders['client'].iloc[0]} needs {written(together)} {of_gear('shackles')} to last as surely as {written(apart)} in "
        f"stocks at each site: {percent(1 - together / apart)} fewer."
    )


def what_if_finding(today: Plan, changed: Plan) -> str:
    """Return what was changed in the plan to compare with."""
    terms, other, words = today.scenario.terms, changed.scenario, []
    if other.intervals != today.scenario.intervals:
        words.append(f"the {other.intervals} inspection intervals")
    if other.terms.service_level != terms.service_level:
        words.append(f"a service level of {percent(other.terms.service_level)}")
    if other.terms.review_days != terms.review_days:
        words.append(f"a review every {counted(other.terms.review_days, 'day')}")
    for factor, what in ((other.terms.price_factor, "prices"), (other.terms.lead_time_factor, "lead times")):
        if factor != 1:
            words.append(f"{what} {percent(abs(factor - 1))} {'higher' if factor > 1 else 'lower'}")
    if other.fleet_growth:
        words.append(
            f"a fleet that {'grows' if other.fleet_growth > 0 else 'shrinks'} by {percent(abs(other.fleet_growth))} a year"
        )
    if other.added_site_like:
        words.append(f"a new site like {other.added_site_like}")
    if not words:
        return "Nothing is changed: both lines below are the plan as things stand."
    return f"What if: {listed(words)}. The other line is the plan as things stand."


def rejects_finding(rejects: pd.DataFrame, site: str = "") -> str:
    """Return how much of what suppliers deliver is refused, and whose goods stand out; takes `supplier_rejects`."""
    if site:
        return "Goods are received for a client as a whole: see the report of the whole client."
    if rejects.empty:
        return "No receiving inspection is recorded, so nothing is known of goods refused, and none are allowed for."
    received, refused = int(rejects["received"].sum()), int(rejects["rejected"].sum())
    opening = f"Of {counted(received, 'item')} looked at on receipt {written(refused)} were refused, {percent(refused / received)}"
    if not rejects["client"].duplicated().any():
        return f"{opening}; there is no second supplier to compare with."
    others = rejects.assign(
        rest=[_rest_share(rejects, row) for _, row in rejects.iterrows()],
    )
    worse = others[others["share_rejected_lower"] > others["rest"]]
    if worse.empty:
        return f"{opening}; no supplier stands out."
    named = [f"{row['supplier']} with {percent(row['share_rejected'])}" for _, row in worse.iterrows()]
    return f"{opening}. More than the client's other suppliers, and by more than chance explains: {listed(named)}."


def backtest_finding(backtest: pd.DataFrame, site: str = "") -> list[str]:
    """Return how earlier forecasts of the same records held, client by client, from the rows of `forecast_backtest`."""
    if site:
        return ["How earlier forecasts held is told in the report of the whole client."]
    classes = backtest[backtest["summed_over"] == BY_CLASS] if len(backtest) else backtest
    if classes.empty:
        return [
            "The records are too short to try the forecast on earlier months: that takes 15 months or more."
        ]
    return [_held(row) for _, row in classes.iterrows()]


def assumptions(terms: OrderTerms) -> list[str]:
    """Return what a plan takes for granted, in the order in which it matters."""
    return [
        "Removals are found when somebody looks: each place is looked at when its interval is over, give or take what its "
        "like were off before; an inspection that is past its day is taken to be held in the first month.",
        "The fleet keeps its count: what is removed is replaced. No more is removed in a month than is in service.",
        f"An order placed today must last until one placed {counted(terms.review_days, 'day')} later arrives, in "
        f"{percent(terms.service_level)} of cases; lead times vary as the stock register says.",
        "What receiving inspections refuse of a supplier's goods is ordered on top; with fewer than "
        f"{terms.least_received_for_share} goods to judge by, the lower limit of that share. Of a supplier whose goods nobody "
        "looked at nothing is known: none are taken to be refused.",
        "An item class that the stock register does not know counts as not in stock, with a lead time of "
        f"{figure(terms.lead_time_days_unless_stated)} days.",
        "One stock serves all sites of a client. The column on stock by site says what separate stocks would need.",
        "A removed shackle is replaced whole, unless the log says that a matching pin was fitted."
        if spoken_of().pins
        else "A removed item is replaced whole.",
        "Costs are at the prices of the stock register; an item class without a price has no cost, and currencies are never "
        "added up.",
    ]


def basis_finding(forecast: Forecast) -> str:
    """Return how much of the fleet's forecast rests on less than its own history."""
    own = forecast.fleet[forecast.fleet["is_asked_for"]]
    other = own[own["basis"] != POOLED]
    if other.empty:
        return "All rates come from the model of all looks, in which a place with little history borrows from its like."
    share = other["quantity"].sum() / own["quantity"].sum()
    named = of_gear(listed(sorted(other["basis"].unique())))
    return f"For {percent(share)} of the items the rate does not come from the model of all looks but from: {named}."


def short_class(item_class: str) -> str:
    """Return the label of an item class without the word that all of them have, in the units chosen.

    >>> short_class("bow shackle, screw pin, 16 mm, 2.95 t, carbon")
    'bow, screw pin, 16 mm, 2.95 t, carbon'
    """
    return written_label(item_class.replace(" shackle", "", 1))


def _held(row: pd.Series) -> str:
    opening = f"At {row['client']}, forecasts made from what was known 3 to 12 months ago"
    inside = f"{percent(row['inside_80'])} of monthly counts by item class fell inside the 80{NO_BREAK}% band"
    if pd.isna(row["bias"]):
        return f"{opening} can be held against no removal, since none came; {inside}."
    side = "about as many removals as came"
    if abs(row["bias"]) >= NOTICEABLE_BIAS:
        side = f"{percent(abs(row['bias']))} {'more' if row['bias'] > 0 else 'fewer'} removals than came"
    losses = [
        f"{percent(row[loss])} of that of the {rival}"
        for loss, rival in (("loss_to_last_year", LAST_YEAR), ("loss_to_last_12", LAST_12))
        if pd.notna(row[loss])
    ]
    rivals = (
        f" The loss was {listed(losses)}; under 100{NO_BREAK}% the forecast is the better one."
        if losses
        else ""
    )
    return f"{opening} expected {side}; {inside}.{rivals}"


def _rest_share(rejects: pd.DataFrame, row: pd.Series) -> float:
    rest = rejects[(rejects["client"] == row["client"]) & (rejects["supplier"] != row["supplier"])]
    return rest["rejected"].sum() / rest["received"].sum() if len(rest) else 1.0


def _named(row: pd.Series) -> str:
    name = short_class(row["item_class"])
    return name[0].upper() + name[1:]


def _for_cost(row: pd.Series) -> str:
    if pd.isna(row["order_cost"]):
        return ""
    currency = NO_CURRENCY if pd.isna(row["currency"]) else row["currency"]
    return f" ({money(row['order_cost'], currency)})"


def _count(value: object) -> str:
    return "an unknown number" if pd.isna(value) else f"{int(value)}"  # type: ignore[call-overload]
