"""Reads the coded lists, the risk targets, the rules of the benchmark and the order terms in data_contracts/."""

import hashlib
from dataclasses import dataclass, fields
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import yaml

from pipelines.contracts.documents import read_yaml
from pipelines.faults import RequestFault
from pipelines.settings import carried
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


def risk_targets() -> RiskTargets:
    """Return the risk targets as data_contracts/risk_targets.yaml states them, or the user's own file where one is chosen.

    Raises RequestFault where that file cannot be read, or has an entry that is unknown or of another kind.
    """
    return _risk_targets(carried("risk_targets"))


def figures_set() -> str:
    """Return a fingerprint of what result tables rest on beside records: the figures that one may set, and the contracts.

    The figures are targets, rules and terms. By the contracts a store of an earlier version tells that its tables lack a
    column.
    """
    figures = repr((risk_targets(), benchmark_rules(), order_terms())).encode()
    return hashlib.sha256(figures + _contracts_as_written()).hexdigest()


@cache
def _contracts_as_written() -> bytes:
    return b"".join(
        path.read_bytes() for path in sorted(shipped_folder("data_contracts").glob("*.odcs.yaml"))
    )


@cache
def _risk_targets(own: str) -> RiskTargets:
    stated = _stated("risk_targets", RiskTargets)
    stated |= _own_entries(Path(own), stated) if own else {}
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
    """Return the coded removal criteria of each family: gear_family, criterion, tier, primary_rank, paraphrase, source."""
    return _code_list("removal_criteria")


def coverage_study() -> pd.DataFrame:
    """Return what tests/benchmarks/coverage_study.py found: fleets, which_places, places_simulated, covered_pooled, covered_exact, too_long."""
    return pd.read_csv(shipped_folder("data_contracts") / "evidence" / "coverage_study.csv")


def rated_loads() -> pd.DataFrame:
    """Return nominal sizes against rated loads: gear_family, body, size_in, nominal_size_mm, grade, rated_load_short_tons, source.

    An empty body stands for every one of the family.
    """
    return _code_list("rated_loads")


def _own_entries(path: Path, stated: dict[str, Any]) -> dict[str, Any]:
    """Return the entries of a user's own file of risk targets, each of the same kind as the one it takes the place of."""
    if not path.is_file():
        raise RequestFault(f"There is no file of risk targets at {path}. Mend the setting risk_targets.")
    try:
        own = yaml.safe_load(path.read_text(encoding="utf-8")) or {}
    except (yaml.YAMLError, UnicodeDecodeError) as error:
        raise RequestFault(f"{path} cannot be read as YAML. Mend the indentation or quotes there.") from error
    for name, entry in own.items() if isinstance(own, dict) else [(str(own), None)]:
        if name not in stated:
            near = get_close_matches(str(name), stated, n=1, cutoff=0.5)
            advice = f"Did you mean {near[0]}?" if near else f"Entries to be had: {', '.join(stated)}."
            raise RequestFault(f'{path}: there is no risk target "{name}". {advice}')
        if not _is_alike(entry, stated[name]):
            raise RequestFault(
                f"{path}: {name} is written another way in data_contracts/risk_targets.yaml. Write it as it is there."
            )
    return dict(own)


def _is_alike(entry: object, stated: object) -> bool:
    if isinstance(stated, dict):
        return (
            isinstance(entry, dict)
            and set(entry) == set(stated)
            and all(_is_alike(entry[name], stated[name]) for name in stated)
        )
    if isinstance(stated, list):
        return (
            isinstance(entry, list) and len(entry) > 0 and all(_is_alike(each, stated[0]) for each in entry)
        )
    numbers = isinstance(entry, int | float) and not isinstance(entry, bool) and entry > 0
    return numbers or (entry is None and stated is None)


def _stated(name: str, record: type) -> dict[str, Any]:
    path = shipped_folder("data_contracts") / f"{name}.yaml"
    stated = read_yaml(path)
    return {field.name: stated[field.name] for field in fields(record)}


def _code_list(name: str) -> pd.DataFrame:
    path = shipped_folder("data_contracts") / "code_lists" / f"{name}.csv"
    return pd.read_csv(path, keep_default_na=False, dtype={"size_in": "str"})
