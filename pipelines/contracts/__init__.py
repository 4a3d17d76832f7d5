"""What a column means and which rules it keeps: reads data_contracts/ and runs its rules."""

from pipelines.contracts.code_lists import (
    BenchmarkRules,
    RiskTargets,
    Target,
    benchmark_rules,
    rated_loads,
    removal_criteria,
    risk_targets,
)
from pipelines.contracts.documents import Column, Contract, Rule, contract_names, load_contract

__all__ = [
    "BenchmarkRules",
    "Column",
    "Contract",
    "RiskTargets",
    "Rule",
    "Target",
    "benchmark_rules",
    "contract_names",
    "load_contract",
    "rated_loads",
    "removal_criteria",
    "risk_targets",
]
