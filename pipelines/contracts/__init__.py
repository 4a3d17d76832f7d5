"""What a column means and which rules it keeps: reads data_contracts/ and runs its rules."""

from pipelines.contracts.code_lists import (
    BenchmarkRules,
    OrderTerms,
    RiskTargets,
    Target,
    benchmark_rules,
    coverage_study,
    figures_set,
    order_terms,
    rated_loads,
    removal_criteria,
    risk_targets,
)
from pipelines.contracts.documents import Column, Contract, Rule, contract_names, load_contract
from pipelines.contracts.gear_families import (
    GearFamily,
    family_called,
    family_of_body,
    gear_families,
    gear_kinds,
    usual_family,
)
from pipelines.contracts.words import in_words, plain_words

__all__ = [
    "BenchmarkRules",
    "Column",
    "Contract",
    "GearFamily",
    "OrderTerms",
    "RiskTargets",
    "Rule",
    "Target",
    "benchmark_rules",
    "contract_names",
    "coverage_study",
    "family_called",
    "family_of_body",
    "figures_set",
    "gear_families",
    "gear_kinds",
    "in_words",
    "load_contract",
    "order_terms",
    "plain_words",
    "rated_loads",
    "removal_criteria",
    "risk_targets",
    "usual_family",
]
