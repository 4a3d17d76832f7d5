"""Reads the coded lists and the risk targets of data_contracts/."""

from dataclasses import dataclass, fields
from functools import cache

import pandas as pd
import yaml

from pipelines.shipped import shipped_folder


@dataclass(frozen=True)
class RiskTargets:
    """What an inspection interval must achieve, and how thin data may be; see data_contracts/risk_targets.yaml."""

    confidence_level: float
    target_share_found: float
    target_share_in_service: float
    outer_limit_months: int
    guideline_months: dict[str, int | None]
    least_shackle_years_for_a_rate: float
    least_removals_for_shares: int
    least_months_for_limits: int
    rate_limits_level: float
    chance_level: float
    control_limit_tail: float


@cache
def risk_targets() -> RiskTargets:
    """Return the risk targets as data_contracts/risk_targets.yaml states them."""
    path = shipped_folder("data_contracts") / "risk_targets.yaml"
    stated = yaml.safe_load(path.read_text(encoding="utf-8"))
    return RiskTargets(**{field.name: stated[field.name] for field in fields(RiskTargets)})


def removal_criteria() -> pd.DataFrame:
    """Return the coded removal criteria: criterion, tier, primary_rank, paraphrase, source."""
    return _code_list("removal_criteria")


def rated_loads() -> pd.DataFrame:
    """Return nominal sizes against rated loads: size_in, nominal_size_mm, grade, rated_load_short_tons, source."""
    return _code_list("rated_loads")


def _code_list(name: str) -> pd.DataFrame:
    path = shipped_folder("data_contracts") / "code_lists" / f"{name}.csv"
    return pd.read_csv(path, keep_default_na=False, dtype={"size_in": "str"})
