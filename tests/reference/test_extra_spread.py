"""The spread of standardised counts beyond chance, against Laney's own kind of case."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from pipelines.models.rates import extra_spread

CASES = Path(__file__).parents[1] / "data" / "checks"


# Method: Laney (2002), Quality Engineering 14, 531-537. Data: Arbuthnot (1710), 82 years of London baptisms.
# R 4.2.2: mean(abs(diff(z))) / (2 / sqrt(pi)).
def test_the_baptisms_of_london_spread_more_than_chance():
    expected = json.loads((CASES / "laney_baptisms.json").read_text(encoding="utf-8"))["expected"]
    standardised = pd.read_csv(CASES / "laney_baptisms.csv")["z"]
    assert extra_spread(standardised) == pytest.approx(expected["sigma_z_unrounded_constant"], abs=1e-8)
    # Second road: the same mean range by plain sums.
    z = standardised.to_numpy()
    by_hand = sum(abs(a - b) for a, b in zip(z[1:], z[:-1], strict=True)) / (len(z) - 1) * np.sqrt(np.pi) / 2
    assert extra_spread(standardised) == pytest.approx(by_hand, rel=1e-12)


# R 4.2.2 gives 0.936 for these 18 months: less than chance, so the limits are not narrowed.
def test_limits_are_never_narrowed():
    months = pd.read_csv(CASES / "u_chart_unequal_exposure.csv")
    centre = months["removed"].sum() / months["shackle_years"].sum()
    expected = centre * months["shackle_years"]
    assert extra_spread((months["removed"] - expected) / np.sqrt(expected)) == 1.0
