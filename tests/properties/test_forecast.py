"""What must hold for any forecast: bands in order, no more than there is, more exposure never less demand."""

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.models.forecast import Calendar, bands, forecast_rates, removed_by_month, simulate_removals
from pipelines.models.orders import least_count, whole_packs

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
