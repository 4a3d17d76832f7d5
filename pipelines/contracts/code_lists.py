"""Reads the coded lists, the risk targets, the rules of the benchmark and the order terms in data_contracts/."""

from dataclasses import dataclass, fields
from functools import cache
from typing import Any

import pandas as pd

from pipelines.contracts.documents import read_yaml
from pipelines.shipped import shipped_folder


@dataclass(frozen=True)
class Target:
    """The most that may be found rejectable at a look, and be in service so on average [share of items]."""

    share_found: float
    share_in_service: float


@dataclass(frozen=True)
class RiskTargets:
    """What an inspection interval must achieve, and how thin data may be; see data_contracts/risk_targets.yaml."""

    confidence_level: float
    targets: dict[str, Target]
    size_bands_up_to_mm: list[float]
    usual_steps_months: list[int]
    minutes_per_item: float
    outer_limit_months: int
    guideline_months: dict[str, int | None]
    least_shackle_years_for_a_rate: float
    least_removals_for_shares: int
    least_months_for_limits: int
    rate_limits_level: float
    chance_level: float


@dataclass(frozen=True)
class BenchmarkRules:
    """How sites are compared, and what a client may see of others; see data_contracts/benchmark.yaml."""

    largest_share_of_its_reference: float
    least_reference_removals: int
    least_expected: float
    ratio_limits_level: float
    funnel_tail: float
    far_funnel_tail: float
    spread_tail: float
    winsorised_share: float
    false_discovery_share: float
    posterior_draws: int
    least_inspectors: int
    grace_days: int
    least_peer_sites: int
    least_peer_clients: int
    largest_peer_share: float
    least_removals_of_a_peer: int


@dataclass(frozen=True)
class OrderTerms:
    """On what terms replacements are planned; see data_contracts/order_terms.yaml.

    The two factors change the prices and lead times of the stock register, to ask what would be.
    """

    service_level: float
    review_days: int
    lead_time_days_unless_stated: float
    lead_time_sd_days_unless_stated: float
    least_received_for_share: int
    oldest_count_days: int
    matching_pin_phrases: list[str]
    price_factor: float = 1.0
    lead_time_factor: float = 1.0


@cache
def risk_targets() -> RiskTargets:
    """Return the risk targets as data_contracts/risk_targets.yaml states them."""
    stated = _stated("risk_targets", RiskTargets)
    stated["targets"] = {tier: Target(**target) for tier, target in stated["targets"].items()}
    return RiskTargets(**stated)


@cache
def benchmark_rules() -> BenchmarkRules:
    """Return the rules of the benchmark as data_contracts/benchmark.yaml states them."""
    return BenchmarkRules(**_stated("benchmark", BenchmarkRules))


@cache
def order_terms() -> OrderTerms:
    """Return the terms of orders as data_contracts/order_terms.yaml states them."""
    path = shipped_folder("data_contracts") / "order_terms.yaml"
    return OrderTerms(**read_yaml(path))


def removal_criteria() -> pd.DataFrame:
    """Return the coded removal criteria: criterion, tier, primary_rank, paraphrase, source."""
    return _code_list("removal_criteria")


def coverage_study() -> pd.DataFrame:
    """Return what tests/benchmarks/coverage_study.py found: fleets, which_places, places_simulated, covered_pooled, covered_exact, too_long."""
    return pd.read_csv(shipped_folder("data_contracts") / "evidence" / "coverage_study.csv")


def rated_loads() -> pd.DataFrame:
    """Return nominal sizes against rated loads: size_in, nominal_size_mm, grade, rated_load_short_tons, source."""
    return _code_list("rated_loads")


def _stated(name: str, record: type) -> dict[str, Any]:
    path = shipped_folder("data_contracts") / f"{name}.yaml"
    stated = read_yaml(path)
    return {field.name: stated[field.name] for field in fields(record)}


def _code_list(name: str) -> pd.DataFrame:
    path = shipped_folder("data_contracts") / "code_lists" / f"{name}.csv"
    return pd.read_csv(path, keep_default_na=False, dtype={"size_in": "str"})
