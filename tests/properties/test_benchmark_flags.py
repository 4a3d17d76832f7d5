"""Fleets of known truth: equal sites are flagged as rarely as said, a doubled hazard as often as it should be.

A small part of tests/benchmarks/benchmark_study.py, which does the same with 1,000 fleets.
"""

import importlib.util
from pathlib import Path

import pytest
from scipy.stats import binom

STUDY = Path(__file__).parents[1] / "benchmarks" / "benchmark_study.py"


@pytest.fixture(scope="module")
def study():
    spec = importlib.util.spec_from_file_location("benchmark_study", STUDY)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.study


def at_odds(count: int, looked_at: int, share: float) -> float:
    """The probability of a count so far from what the share gives, on the nearer side."""
    return min(binom.cdf(count, looked_at, share), binom.sf(count - 1, looked_at, share))


def test_sites_that_are_alike_are_flagged_at_the_nominal_rate(study):
    ordinary, harsh, another, with_findings = study(fleets=16, seed=5, doubled=False)
    looked_at = ordinary.looked_at + harsh.looked_at + another.looked_at
    assert looked_at == 16 * 24
    for side in ("above", "below"):
        flagged = sum(getattr(tally, side) for tally in (ordinary, harsh, another))
        nominal = sum(getattr(tally, f"nominal_{side}") for tally in (ordinary, harsh, another)) / looked_at
        assert at_odds(flagged, looked_at, nominal) > 0.001
    assert at_odds(with_findings, 16, 0.05) > 0.001


def test_a_doubled_hazard_is_found_and_a_harsh_environment_is_none(study):
    _, harsh, doubled, _ = study(fleets=16, seed=6, doubled=True)
    power = doubled.nominal_above / doubled.looked_at
    assert power > 0.9
    # The site is part of the fleet it is compared with, which costs a little.
    assert at_odds(doubled.above, doubled.looked_at, 0.97 * power) > 0.001
    assert at_odds(harsh.above, harsh.looked_at, 0.025) > 0.001
