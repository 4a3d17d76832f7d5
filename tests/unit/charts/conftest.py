"""Rows of result tables that the charts are drawn from."""

import pandas as pd
import pytest


@pytest.fixture
def trend():
    """Five months of one client: without a rate, within, above, below, and without limits."""
    return pd.DataFrame(
        {
            "client": "Brackle Docks",
            "site": None,
            "month": ["2025-10", "2025-11", "2025-12", "2026-01", "2026-02"],
            "inspected": [0, 200, 400, 800, 20],
            "removed": [0, 5, 40, 2, 1],
            "removed_at_risk": [0, 5, 40, 2, 1],
            "shackle_years": [0.0, 50.0, 100.0, 200.0, 2.0],
            "removed_per_100_shackle_years": [None, 10.0, 40.0, 1.0, 50.0],
            "rate_lower": [None, 4.0, 30.0, 0.2, 2.6],
            "rate_upper": [None, 21.0, 52.0, 3.1, 237.0],
            "centre": [None, 12.0, 12.0, 12.0, None],
            "limit_lower": [None, 2.0, 4.0, 6.0, None],
            "limit_upper": [None, 28.0, 24.0, 20.0, None],
            "signal": [None, "within", "above", "below", None],
        }
    )


@pytest.fixture
def places():
    """Three places of two clients: one shorter, one longer with sign-off, one without a rate."""
    return pd.DataFrame(
        {
            "client": ["Brackle Docks", "Brackle Docks", "Ferrow Mills"],
            "site": ["Sea Wall", "North Shed", "Press Hall"],
            "environment": ["marine spray", "indoor dry", "furnace heat"],
            "removed_at_risk": [40, 4, 0],
            "shackle_years": [400.0, 200.0, 0.5],
            "rate_per_100_shackle_years": [10.0, 2.0, None],
            "rate_lower": [7.6, 0.7, None],
            "rate_upper": [13.0, 4.6, None],
            "current_interval_months": [12, 3, 3],
            "recommended_interval_months": [4, 12, 3],
            "needs_sign_off": [False, True, False],
            "binding_rule": "share found",
        }
    )
