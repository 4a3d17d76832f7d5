"""What to order, by when: demand until an order arrives, against what is in stock and on its way."""

from bisect import bisect_left
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from pipelines.contracts import OrderTerms
from pipelines.models.forecast import DAYS_IN_YEAR, Counts, Round, own_generator
from pipelines.models.limits import Floats
from pipelines.models.rates import joined_notes, note

LONGEST_HORIZON_DAYS = 3 * 366
FEWEST_HORIZON_DAYS = 366
LEAST_SHARE_KEPT = 0.1
YEARS_WORTH_A_REMARK = 1.0  # of removals in the least that is sold: common practice, no source

NOT_IN_SERVICE = "in the stock register, but none in service: no demand to forecast, nothing to order"
NOT_REGISTERED = "not in the stock register: counted as nothing in stock, usual lead time taken"
NO_FORECAST = "no exposure to forecast from, so no order is computed"
NO_PRICE = "no price, so no cost"
NO_RECEIPTS = "no goods of its supplier looked at on receipt, so none are taken to be refused"
FEW_RECEIPTS = (
    "few goods of its supplier looked at on receipt, only what is sure to be refused is allowed for"
)
NEARLY_ALL_REJECTED = (
    "nearly all goods were rejected on receipt: one in ten is taken as fit, find another supplier"
)
NO_HISTORY = "no history of its own, taken like its size and pin"
BEYOND_HORIZON = "lead time beyond 12 months: demand after that is taken to go on as in the forecast"
BEYOND_EVERYTHING = "lead time beyond 3 years, the order covers 3 years only"
OVERDUE_ORDER = "the order on its way is past its day and counted as if it came now, ask the supplier"
NOT_COUNTED = "the order on its way comes too late to be counted"
COMES_TOO_LATE = "may run out before the order on its way comes, ask for it sooner"
NO_DUE_DAY = "no day for the order on its way, counted as in time"


@dataclass(frozen=True)
class Demand:
    """Removals of one item class, draw by draw: `days` from today and `removed` (events, draws), in any order."""

    days: Floats
    removed: Counts

    def until(self, day: Floats | float) -> Counts:
        """Return the removals up to a day, which may differ from draw to draw."""
        return self.in_time(day).sum(axis=0, dtype=self.removed.dtype)

    def before(self, day: Floats | float) -> Counts:
        """Return the removals before a day, which may differ from draw to draw."""
        return self.until(np.nextafter(day, -np.inf))

    def in_time(self, day: Floats | float) -> Counts:
        """Return the removals up to a day event by event, 0 for events after it."""
        return self.removed * (self.days <= day)

    def runs_out(self, day: Floats, stock: float, coming: float, due_in_days: float) -> NDArray[np.bool_]:
        """Return whether the stock runs out up to a day, draw by draw.

        Parameters
        ----------
        day : ndarray of float, shape (draws,)
            Days from today.
        stock, coming : float
            What is there, and what is added to it on the day when it is due, 0 or more [items].
        due_in_days : float
            Days from today to that day.
        """
        before_it_comes = self.until(np.minimum(day, np.nextafter(due_in_days, -np.inf)))
        return (before_it_comes > stock) | (self.until(day) > stock + coming)

    def split(self, share: float, generator: np.random.Generator) -> tuple["Demand", "Demand"]:
        """Return the demand without a share of its items, drawn item by item, and the demand of these."""
        if share == 0:
            return self, Demand(self.days[:0], self.removed[:0])
        taken = generator.binomial(self.removed, share).astype(self.removed.dtype)
        return replace(self, removed=self.removed - taken), replace(self, removed=taken)


@dataclass(frozen=True)
class OrderChoice:
    """How an order meets demand in one item class; days from today, quantities in items.

    `needed` is what would do, were it sold item by item; `risk_without_order` the risk should the order on its way never come.
    `is_order_counted`: the order on its way comes in time to be counted; `is_order_too_late`: it may not come before the
    stock runs out, more often than the service level allows.
    """

    demand_expected: float
    demand: int
    needed: float
    quantity: int
    risk_if_nothing_is_ordered: float
    risk_before_delivery: float
    risk_without_order: float
    order_on: float | None
    is_order_counted: bool
    is_order_too_late: bool


class Drawn:
    """The removals drawn for a fleet of so many rows, with the round and the place in it of each row."""

    def __init__(self, rounds: list[Round], rows: int, draws: int) -> None:
        self.rounds, self.draws = rounds, draws
        self._round = np.full(rows, -1)
        self._place = np.full(rows, -1)
        for number, round_ in enumerate(rounds):
            self._round[round_.rows] = number
            self._place[round_.rows] = np.arange(len(round_.rows))

    def demand(self, rows: NDArray[np.intp]) -> tuple[Demand, NDArray[np.intp]]:
        """Return the removals of some rows together, those of a round added up, and one of the rows for each event.

        All of the rows were drawn for; an event has the place of its row.
        """
        days, removed, row = [], [], []
        for number in np.unique(self._round[rows]):
            round_, own = self.rounds[number], rows[self._round[rows] == number]
            days.append(round_.days)
            removed.append(sum(round_.removed[:, :, place] for place in self._place[own]))
            row.append(np.full(len(round_.days), own[0]))
        return Demand(np.concatenate(days), np.concatenate(removed)), np.concatenate(row)


def lead_times(days: float, sd_days: float, draws: int, generator: np.random.Generator) -> Floats:
    """Return draws of a lead time [days]: gamma with this mean and standard deviation, fixed where that is 0.

    With steady Poisson demand, demand over a gamma lead time is negative binomial.

    Parameters
    ----------
    days, sd_days : float
        Mean and standard deviation [days], 0 or more.
    draws : int
        How many.
    generator : numpy.random.Generator
        Where the draws come from.

    References
    ----------
    Burgin, T. A. (1975). The gamma distribution and inventory control. Operational Research Quarterly 26, 507-525
    (from memory).
    """
    if not sd_days or not days:
        return np.full(draws, float(days))
    return generator.gamma((days / sd_days) ** 2, sd_days**2 / days, draws)


def least_count(samples: NDArray, level: float) -> int:
    """Return the least whole number that samples reach at most with a probability of `level` or more.

    >>> least_count(np.arange(100), 0.95)
    94
    """
    return int(np.ceil(np.sort(samples)[_rank(len(samples), level)] - 1e-9))


def whole_packs(quantity: float, pack_size: int, minimum_order: int) -> int:
    """Return the least quantity that can be bought, of at least so many items; 0 where none are needed.

    Parameters
    ----------
    quantity : float
        Items needed; 0 or less is none.
    pack_size, minimum_order : int
        Items in a pack, and the least that is sold [items], 1 or more.

    Examples
    --------
    >>> whole_packs(7.2, 5, 10), whole_packs(11, 5, 10), whole_packs(0, 5, 10)
    (10, 15, 0)
    """
    if quantity <= 0:
        return 0
    return int(-(-max(int(np.ceil(quantity - 1e-9)), minimum_order) // pack_size) * pack_size)


def choose_order(
    demand: Demand,
    lead_time: Floats,
    stock: pd.Series,
    terms: OrderTerms,
) -> OrderChoice:
    """Return how much to order, by when, and what happens if nobody does.

    Parameters
    ----------
    demand : Demand
        Of the item class, draw by draw.
    lead_time : ndarray of float, shape (draws,)
        Days from order to receipt in each draw.
    stock : Series
        `on_hand`, `on_order` [items], `due_in_days`, when the ordered items come; `share_rejected` on receipt;
        `pack_size`, `minimum_order` [items].
    terms : OrderTerms
        Gives the service level and the days between two reviews of the stock.

    Notes
    -----
    Stock is reviewed every `review_days`: an order placed today must last until one placed at the next review arrives.
    The quantity is the least with P(removals until then <= on hand + on order + quantity) >= service level, goods on
    order and to be ordered counted without the share that receiving refuses, in whole packs. What is on order counts
    if it is due by then. The last day to order is the one after which an order would come too late in more than
    1 - service level of the draws. The risks follow the stock day by day: an order that comes after the stock ran out
    does not help.

    References
    ----------
    Silver, E. A., Pyke, D. F. & Thomas, D. J. (2017). Inventory and Production Management in Supply Chains, 4th ed.,
    chapter 6, (R, S) systems (from memory).
    """
    kept = float(share_kept(stock["share_rejected"]))
    covered_until = lead_time + terms.review_days
    removed = demand.until(covered_until)
    coming = kept * stock["on_order"]
    counted = coming if stock["due_in_days"] <= covered_until.mean() else 0.0
    short = removed - stock["on_hand"] - counted
    is_short = float((short > 0).mean())
    rank = _rank(len(short), terms.service_level)
    quantity = max(float(np.partition(short, rank)[rank]) / kept, 0.0)

    risk, risk_before_delivery = (
        float(demand.runs_out(day, stock["on_hand"], coming, stock["due_in_days"]).mean())
        for day in (covered_until, lead_time)
    )
    return OrderChoice(
        demand_expected=float(removed.mean()),
        demand=least_count(removed, terms.service_level),
        needed=quantity,
        quantity=whole_packs(quantity, int(stock["pack_size"]), int(stock["minimum_order"])),
        risk_if_nothing_is_ordered=risk,
        risk_before_delivery=risk_before_delivery,
        risk_without_order=float((removed > stock["on_hand"]).mean()),
        order_on=_last_day_to_order(demand, lead_time, stock["on_hand"] + counted, terms.service_level),
        is_order_counted=bool(stock["due_in_days"] <= covered_until.mean()),
        is_order_too_late=risk - is_short > 1 - terms.service_level,
    )


def plan_orders(
    fleet: pd.DataFrame, rounds: list[Round], stock: pd.DataFrame, terms: OrderTerms, draws: int, seed: int
) -> pd.DataFrame:
    """Return the order plan: one row for each row of `stock`.

    Parameters
    ----------
    fleet : DataFrame
        One row per item class in service at a place: `client`, `site`, `item_class`, `quantity` [items],
        `has_rate`.
    rounds : list of Round
        Removals drawn for the same rows.
    stock : DataFrame
        One row per client and item class that is in service or in the stock register: the register's columns, with
        empty `on_hand` where it does not know the class; `share_rejected` of the goods of its supplier, empty where none
        were looked at, and `is_share_of_few`, whether few were; `share_pins`, the share of removals after
        which a matching pin was fitted; `shackle_years` of its history; `due_in_days`; `counted_days_ago`.
    terms : OrderTerms
        Service level, review period, and what is usual where the register says nothing.
    draws, seed : int
        As the rounds were drawn with; lead times have a seed of their own.

    Returns
    -------
    DataFrame with the index of `stock`
        The columns of the contract `order_plan` from `on_hand` on, without `currency` and `supplier`.
        `order_on` in days from today. Every gap and every assumption is said in `plan_note`.
    """
    rows_of = fleet.reset_index(drop=True).groupby(["client", "item_class"]).indices
    filled = _filled(stock, terms)
    drawn = Drawn(rounds, len(fleet), draws)
    lines = []
    for _, line in filled.iterrows():
        rows = np.asarray(rows_of.get((line["client"], line["item_class"]), []), dtype=np.intp)
        generator = own_generator(seed, "order", line["client"], line["item_class"])
        lines.append(_line(fleet, drawn, rows, line, terms, generator))
    plan = pd.DataFrame(lines, index=stock.index, columns=LINE_COLUMNS)
    price = filled["unit_cost"]
    for name in ("cost_per_month", "cost_per_month_lower", "cost_per_month_upper"):
        plan[name] = plan[name] * price / share_kept(filled["share_rejected"]) / 12
    return plan.assign(
        on_hand=stock["on_hand"],
        on_order=stock["on_order"],
        lead_time_days=filled["lead_time_days"],
        share_rejected=stock["share_rejected"],
        unit_cost=price,
        order_cost=plan["order_quantity"] * price,
        plan_note=_notes(stock, filled, plan, terms),
    )


LINE_COLUMNS = [
    "items_in_service",
    "demand_expected",
    "demand_over_lead_time",
    "order_quantity",
    "order_on",
    "risk_of_running_out",
    "risk_before_delivery",
    "pins_over_lead_time",
    "stock_by_site",
    "cost_per_month",
    "cost_per_month_lower",
    "cost_per_month_upper",
    "is_order_counted",
    "is_order_too_late",
    "risk_without_order",
    "years_of_least_sold",
]


def _line(
    fleet: pd.DataFrame,
    drawn: Drawn,
    rows: NDArray[np.intp],
    line: pd.Series,
    terms: OrderTerms,
    generator: np.random.Generator,
) -> dict[str, float | int | None]:
    in_service = int(fleet["quantity"].to_numpy()[rows].sum())
    if not len(rows):
        return {"items_in_service": 0, "order_quantity": 0}
    if not fleet["has_rate"].to_numpy()[rows].all():
        return {"items_in_service": in_service}
    lead_time = lead_times(line["lead_time_days"], line["lead_time_sd_days"], drawn.draws, generator)
    lead_time = np.minimum(lead_time, LONGEST_HORIZON_DAYS - terms.review_days)
    covered_until = lead_time + terms.review_days
    both, row = drawn.demand(rows)
    demand, pins = both.split(line["share_pins"], generator)
    chosen = choose_order(demand, lead_time, line, terms)
    in_time, site = both.in_time(covered_until), fleet["site"].to_numpy()[row]
    by_site = [in_time[site == each].sum(axis=0) for each in np.unique(site)]
    year = demand.until(DAYS_IN_YEAR)
    least_sold = whole_packs(1, int(line["pack_size"]), int(line["minimum_order"]))
    years_of_least_sold = None
    if chosen.quantity and chosen.needed < least_sold and year.any():
        years_of_least_sold = least_sold * float(share_kept(line["share_rejected"])) / float(year.mean())
    return {
        "items_in_service": in_service,
        "demand_expected": chosen.demand_expected,
        "demand_over_lead_time": chosen.demand,
        "order_quantity": chosen.quantity,
        "order_on": chosen.order_on,
        "risk_of_running_out": chosen.risk_if_nothing_is_ordered,
        "risk_before_delivery": chosen.risk_before_delivery,
        "is_order_counted": chosen.is_order_counted,
        "is_order_too_late": chosen.is_order_too_late,
        "risk_without_order": chosen.risk_without_order,
        "years_of_least_sold": years_of_least_sold,
        "pins_over_lead_time": least_count(pins.until(covered_until), terms.service_level),
        "stock_by_site": sum(least_count(each, terms.service_level) for each in by_site),
        "cost_per_month": float(year.mean()),
        "cost_per_month_lower": least_count(year, 0.1),
        "cost_per_month_upper": least_count(year, 0.9),
    }


def _last_day_to_order(demand: Demand, lead_time: Floats, stock: float, service_level: float) -> float | None:
    """Return the last day on which an order comes before the stock runs out, with a probability of the service level.

    None where the stock lasts for all the demand, as often as that.
    """
    draws = len(lead_time)
    may_fail = min(int((1 - service_level) * draws + 1e-9), draws - 1)

    def is_too_late(day: int) -> bool:
        return int((demand.before(lead_time + day) > stock).sum()) > may_fail

    days = range(int(demand.days.max()) + 2)
    # Days are halved until the first is left on which it is too late: removals need no putting in order.
    first = bisect_left(days, True, key=is_too_late)
    return max(first - 1, 0) if first in days else None


def share_kept(share_rejected: ArrayLike) -> Floats:
    """Return the share of goods received that a plan takes as fit for service.

    It is at least a tenth: where nearly everything was rejected, no order makes up for it.

    >>> share_kept([0.0, 0.25, 1.0]).tolist()
    [1.0, 0.75, 0.1]
    """
    return np.maximum(1 - np.asarray(share_rejected, dtype=float), LEAST_SHARE_KEPT)


def _filled(stock: pd.DataFrame, terms: OrderTerms) -> pd.DataFrame:
    """Return the register with what is taken where it says nothing; prices stay empty."""
    usual = {
        "on_hand": 0,
        "on_order": 0,
        "lead_time_days": terms.lead_time_days_unless_stated,
        "lead_time_sd_days": terms.lead_time_sd_days_unless_stated,
        "pack_size": 1,
        "minimum_order": 1,
        "due_in_days": 0,
        "share_rejected": 0.0,
    }
    filled = stock.astype(dict.fromkeys([*usual, "unit_cost"], float)).fillna(usual)
    return filled.assign(
        pack_size=filled["pack_size"].clip(lower=1),
        lead_time_days=filled["lead_time_days"] * terms.lead_time_factor,
        lead_time_sd_days=filled["lead_time_sd_days"] * terms.lead_time_factor,
        unit_cost=filled["unit_cost"] * terms.price_factor,
    )


def _notes(stock: pd.DataFrame, filled: pd.DataFrame, plan: pd.DataFrame, terms: OrderTerms) -> pd.Series:
    is_registered, in_service = stock["on_hand"].notna(), plan["items_in_service"] > 0
    has_plan = plan["order_quantity"].notna() & in_service
    is_coming = stock["on_order"].astype(float).fillna(0) > 0
    horizon = filled["lead_time_days"] + terms.review_days
    age = stock["counted_days_ago"].astype(float)
    days = age.abs().fillna(0).astype(int).astype(str)
    is_overdue = is_coming & (stock["due_in_days"].astype(float) < 0)
    years = plan["years_of_least_sold"].astype(float)
    return joined_notes(
        note(~in_service, NOT_IN_SERVICE),
        note(in_service & ~has_plan, NO_FORECAST),
        note(~is_registered, NOT_REGISTERED),
        note(has_plan & (stock["shackle_years"] == 0), NO_HISTORY),
        note(filled["unit_cost"].isna(), NO_PRICE),
        note(has_plan & stock["share_rejected"].isna(), NO_RECEIPTS),
        note(has_plan & stock["is_share_of_few"], FEW_RECEIPTS),
        note(has_plan & (filled["share_rejected"] > 1 - LEAST_SHARE_KEPT), NEARLY_ALL_REJECTED),
        note(
            has_plan & (horizon > FEWEST_HORIZON_DAYS) & (horizon <= LONGEST_HORIZON_DAYS),
            BEYOND_HORIZON,
        ),
        note(has_plan & (horizon > LONGEST_HORIZON_DAYS), BEYOND_EVERYTHING),
        years.map(_least_sold).where(years > YEARS_WORTH_A_REMARK, ""),
        note(is_overdue & ~has_plan, OVERDUE_ORDER),
        plan["risk_without_order"].map(_overdue).where(is_overdue & has_plan, ""),
        note(is_coming & stock["due_in_days"].isna(), NO_DUE_DAY),
        note(is_coming & has_plan & plan["is_order_counted"].eq(False), NOT_COUNTED),
        note(is_coming & has_plan & plan["is_order_too_late"].eq(True), COMES_TOO_LATE),
        ("stock counted " + days + " days ago").where(age > terms.oldest_count_days, ""),
        ("stock counted " + days + " days after the month").where(age < 0, ""),
    )


def _least_sold(years: float) -> str:
    return f"the least that is sold is about {years:.1f} years of removals"


def _overdue(risk_without_order: float) -> str:
    in_percent = 100 * risk_without_order
    # Only all is 100 per cent, and only nothing 0.
    if in_percent not in (0, 100):
        in_percent = min(max(in_percent, 1), 99)
    return f"{OVERDUE_ORDER}: without it the risk of running out is {in_percent:.0f} %"


def horizon_days(stock: pd.DataFrame, terms: OrderTerms) -> int:
    """Return over how many days removals must be drawn for an order plan: 12 months, or longer for long lead times."""
    filled = _filled(stock, terms)
    # Five standard deviations: a lead time beyond them is as good as never drawn.
    reach = filled["lead_time_days"] + 5 * filled["lead_time_sd_days"] + terms.review_days
    longest = float(reach.max()) if len(reach) else 0.0
    return int(np.clip(np.ceil(longest), FEWEST_HORIZON_DAYS, LONGEST_HORIZON_DAYS))


def _rank(draws: int, level: float) -> int:
    """Return the rank of the least of so many draws that a share of `level` or more of them reach at most."""
    return max(int(np.ceil(level * draws - 1e-9)) - 1, 0)
