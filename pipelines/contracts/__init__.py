"""What a column means and which rules it keeps: reads data_contracts/ and runs its rules."""

from pipelines.contracts.code_lists import RiskTargets, rated_loads, removal_criteria, risk_targets
from pipelines.contracts.documents import Column, Contract, Rule, contract_names, load_contract
from pipelines.contracts.words import in_words, plain_words

__all__ = [
    "Column",
    "Contract",
    "RiskTargets",
    "Rule",
    "contract_names",
    "in_words",
    "load_contract",
    "plain_words",
    "rated_loads",
    "removal_criteria",
    "risk_targets",
]
