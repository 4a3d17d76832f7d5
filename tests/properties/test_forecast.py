"""What must hold for any forecast: bands in order, no more than there is, more exposure never less demand."""

from dataclasses import replace

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.contracts import order_terms
from pipelines.models.forecast import Calendar, bands, forecast_rates, removed_by_month, simulate_removals
from pipelines.models.orders import Demand, choose_order, least_count, whole_packs

MONTH_ENDS = np.arange(1, 13) * 30.5
EVERYWHERE = {"client": "Brackle Docks", "environment": "marine spray"}
rows = st.fixed_dictionaries(
    {
        "quantity": st.integers(1, 2000),
        "days_since_start": st.integers(0, 1500),
        "interval_months": st.integers(1, 24),
        "share_found_between": st.sampled_from([0.0, 0.3, 1.0]),
        "kind_factor": st.floats(0.2, 4),
    }
)
histories = st.tuples(st.integers(0, 200), st.floats(0.01, 500))
fleets = st.lists(st.tuples(rows, histories), min_size=1, max_size=4)
calendars = st.builds(
    Calendar,
    st.just({interval: np.array([-0.2, 0.0, 0.1, 1.0]) for interval in range(1, 25)}),
    st.sampled_from([0.0, 0.3]),
    st.floats(-0.3, 0.3),
)


def drawn(parts, calendar, scale=1):
    """Monthly draws of each row of a fleet, its items times `scale`."""
    fleet = pd.DataFrame([row for row, _ in parts]).assign(
        **EVERYWHERE, site=[f"Yard {number}" for number in range(len(parts))], item_class="16 mm"
    )
    fleet["quantity"] *= scale
    past = fleet[["client", "site", "environment", "item_class", "kind_factor"]].assign(
        years_ago=0,
        removed=[min(removed, int(5 * years) + 1) for _, (removed, years) in parts],
        shackle_years=[years for _, (_, years) in parts],
    )
    places = fleet[["client", "site", "environment"]].assign(
        pooled_rate_lower=np.nan,
        pooled_rate_upper=np.nan,
        kind_rate_lower=4.0,
        kind_rate_upper=25.0,
        is_pooled=False,
    )
    rates = forecast_rates(fleet, past, places, 0.9)
    rounds = simulate_removals(fleet, rates, calendar, draws=200)
    items = fleet["quantity"].to_numpy()
    return fleet, removed_by_month(rounds, MONTH_ENDS, np.arange(len(fleet)), items)


@settings(max_examples=40, deadline=None)
@given(fleets, calendars)
def test_bands_are_in_order_and_never_above_the_fleet(parts, calendar):
    fleet, samples = drawn(parts, calendar)
    assert samples.shape == (len(fleet), 12, 200)
    assert (samples >= 0).all()
    assert (samples == np.floor(samples)).all()
    assert (samples.max(axis=(1, 2)) <= fleet["quantity"]).all()
    found = bands(samples.reshape(-1, 200))
    ends = found[["lower_95", "lower_80", "upper_80", "upper_95"]].to_numpy()
    assert (np.diff(ends, axis=1) >= 0).all()
    assert found["expected"].between(samples.min(), samples.max() + 1e-6).all()


@settings(max_examples=25, deadline=None)
@given(fleets)
def test_more_items_are_never_less_demand(parts):
    once, tenfold = (drawn(parts, Calendar(), scale)[1].sum(axis=(0, 1)) for scale in (1, 10))
    assert least_count(tenfold, 0.95) >= least_count(once, 0.95)
    assert tenfold.mean() >= once.mean()


@given(st.floats(0, 1e5), st.integers(1, 500), st.integers(1, 5000))
def test_a_purchase_is_whole_packs_and_enough(quantity, pack_size, minimum_order):
    bought = whole_packs(quantity, pack_size, minimum_order)
    assert bought % pack_size == 0
    assert bought >= quantity - 1e-6
    if quantity > 0:
        assert bought >= minimum_order
        assert bought < max(quantity, minimum_order) + pack_size + 1


@given(st.lists(st.integers(0, 50), min_size=1, max_size=60), st.floats(0.01, 0.999))
def test_the_least_count_reaches_its_level_and_one_less_does_not(counts, level):
    samples = np.array(counts)
    found = least_count(samples, level)
    assert (samples <= found).mean() >= level - 1e-9
    assert (samples <= found - 1).mean() < level


def runs_out_on(events, stock, coming=0.0, due=0):
    """The day on which a stock runs out, followed event by event; infinite where it lasts."""
    total = 0
    for day, removed in sorted(events):
        total += removed
        if total > stock + (coming if day >= due else 0):
            return day
    return np.inf


draws_of_events = st.integers(1, 6).flatmap(
    lambda events: st.lists(
        st.lists(st.tuples(st.integers(1, 12), st.integers(0, 9)), min_size=events, max_size=events),
        min_size=1,
        max_size=8,
    )
)


@settings(max_examples=300, deadline=None)
@given(
    draws_of_events,
    st.integers(0, 30),
    st.integers(0, 20),
    st.integers(-2, 6),
    st.integers(0, 12),
    st.floats(0.05, 0.99),
)
def test_risks_and_the_day_to_order_are_those_of_a_stock_followed_day_by_day(
    drawn_events, on_hand, on_order, days_late, lead_days, level
):
    days, removed = np.array(drawn_events).transpose(2, 1, 0)
    due, lead_time = lead_days + days_late, lead_days + np.arange(len(drawn_events))
    stock = pd.Series(
        {"on_hand": on_hand, "on_order": on_order, "due_in_days": due, "share_rejected": 0.0}
        | {"pack_size": 1, "minimum_order": 1}
    )
    terms = replace(order_terms(), service_level=level, review_days=3)
    chosen = choose_order(Demand(days.astype(float), removed), lead_time.astype(float), stock, terms)
    out_on = np.array([runs_out_on(events, on_hand, on_order, due) for events in drawn_events])
    assert chosen.risk_before_delivery == (out_on <= lead_time).mean()
    assert chosen.risk_if_nothing_is_ordered == (out_on <= lead_time + 3).mean()
    counted = on_hand + (on_order if chosen.is_order_counted else 0)
    slack = np.sort([runs_out_on(events, counted) for events in drawn_events] - lead_time)
    latest = slack[min(int((1 - level) * len(slack) + 1e-9), len(slack) - 1)]
    assert chosen.order_on == (max(latest, 0) if np.isfinite(latest) else None)
