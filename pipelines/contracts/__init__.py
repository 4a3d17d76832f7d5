"""What a column means and which rules it keeps: reads data_contracts/ and runs its rules."""

from pipelines.contracts.code_lists import (
    OrderTerms,
    RiskTargets,
    Target,
    order_terms,
    rated_loads,
    removal_criteria,
    risk_targets,
)
from pipelines.contracts.documents import Column, Contract, Rule, contract_names, load_contract

__all__ = [
    "Column",
    "Contract",
    "OrderTerms",
    "RiskTargets",
    "Rule",
    "Target",
    "contract_names",
    "load_contract",
    "order_terms",
    "rated_loads",
    "removal_criteria",
    "risk_targets",
]
