"""Removal rates of places from one model of all looks, and what that model says of the rest."""

import duckdb
import numpy as np
import pandas as pd
from scipy.stats import norm

from pipelines.contracts import RiskTargets, load_contract, risk_targets
from pipelines.models.ageing import fit_weibull, npmle, share_still_fit
from pipelines.models.hazard import (
    ALL,
    PLACE,
    GapExponent,
    HazardFit,
    fit_hazard,
    gap_exponent,
    grouped_looks,
    in_words,
)
from pipelines.shipped import statement
from pipelines.tables.item_kinds import make_place_kinds

COVARIATES = ["environment", "service_class", "size_band", "pin", "use_frequency"]
AGEING = "ageing of items"
RATES = {"rate": "pooled_rate", "rate_lower": "pooled_rate_lower", "rate_upper": "pooled_rate_upper"}
FACTORS_IN_TABLE = {"factor": "estimate", "factor_lower": "estimate_lower", "factor_upper": "estimate_upper"}


def pooled_rates(con: duckdb.DuckDBPyConnection, looks: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the tables `pooled_rates` and `hazard_model`, from `hazard_looks` and the lines; both may be empty.

    Two models are fitted: of all removals, and of those on a load-bearing criterion or with none stated. Whether items
    age is asked of tagged items whose receipt is on record.

    Parameters
    ----------
    con : duckdb.DuckDBPyConnection
        The open store.
    looks : DataFrame
        As of `hazard_looks`.
    """
    if looks.empty:
        return _none("pooled_rates"), _none("hazard_model")
    targets = risk_targets()
    fit = _fit(looks, targets)
    load_bearing = _fit(looks.assign(removed=looks["load_bearing_removed"]), targets)
    rates = fit.rates.rename(columns={**RATES, "rate_upper_one_sided": "highest_rate", "basis": "rate_basis"})
    of_tier = load_bearing.rates.rename(columns={"rate_upper_one_sided": "highest_load_bearing_rate"})
    rates = rates.merge(of_tier[[*PLACE, "highest_load_bearing_rate"]], on=PLACE)
    ages = con.execute(statement("pipelines.tables", "ages.sql")).df()
    return rates, _model_in_words(fit, gap_exponent(fit), _ageing(ages, targets), targets)


def hazard_looks(con: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return the looks that have an earlier one, by place, day and kind of item, as the hazard model takes them."""
    make_place_kinds(con)
    looks = con.execute(statement("pipelines.tables", "hazard_looks.sql")).df()
    kinds = con.execute("select distinct * exclude (place_class) from place_kinds").df().set_index("kind")
    # As categories, names are told apart once and not in each fit.
    return grouped_looks(looks.join(kinds.astype("category"), on="kind").drop(columns="kind"))


def _fit(looks: pd.DataFrame, targets: RiskTargets) -> HazardFit:
    return fit_hazard(looks, COVARIATES, targets.rate_limits_level, targets.confidence_level)


def _model_in_words(
    fit: HazardFit, exponent: GapExponent | None, ageing: pd.DataFrame, targets: RiskTargets
) -> pd.DataFrame:
    """Return the rows of `hazard_model`: a row for each level, the reference ones too, then facts of the whole fit."""
    factors = fit.coefficients.reindex(columns=["covariate", "level", *FACTORS_IN_TABLE]).rename(
        columns=FACTORS_IN_TABLE
    )
    is_rate = factors["covariate"] == ALL
    factors["remark"] = np.where(
        is_rate,
        "removals per 100 shackle-years of a middling place at all reference levels",
        "times the rate of the reference level, all else alike",
    )
    references = pd.DataFrame(
        [(name, level, 1.0, "the reference level") for name, level in fit.references.items()],
        columns=["covariate", "level", "estimate", "remark"],
    )
    facts = pd.DataFrame(_facts(fit), columns=["covariate", "estimate", "remark"])
    of_gap = _of_gap(exponent, targets.rate_limits_level) if exponent else pd.DataFrame()
    notes = pd.DataFrame({"covariate": "note on the fit", "remark": list(fit.notes)})
    # Rows as plain records, since frames with empty columns do not concatenate quietly.
    rows = [
        row
        for part in (factors, references, facts, of_gap, notes, ageing)
        for row in part.astype(object).to_dict("records")
    ]
    model = pd.DataFrame(rows, columns=load_contract("hazard_model").column_names)
    # The model knows covariates and levels by their columns; people read words.
    for name in ("covariate", "remark"):
        model[name] = model[name].map(in_words, na_action="ignore")
    return model


def _ageing(ages: pd.DataFrame, targets: RiskTargets) -> pd.DataFrame:
    """Return the rows that tell whether tagged items wear out, from a law of ageing and with no law assumed."""
    if ages.empty:
        words = "no tagged item with its receipt on record, so that nothing can be said of ageing"
        return pd.DataFrame([{"covariate": AGEING, "remark": words}])
    lower, upper, items = ages["age_fit"], ages["age_removed"], ages["items"]
    fit = fit_weibull(lower, upper, targets.rate_limits_level, items=items)
    of = (
        f"{fit.items:,.0f} tagged items with their receipt on record, {fit.removed:,.0f} removed: {fit.words}"
    )
    by_law = {
        "covariate": AGEING,
        "estimate": fit.shape,
        "estimate_lower": fit.shape_lower,
        "estimate_upper": fit.shape_upper,
        "remark": f"Weibull shape, 1 is no ageing; {of}" if fit.shape else of,
    }
    by_weibull = (
        f"; by the law {np.exp(-((1 / fit.scale) ** fit.shape)):.2f}" if fit.shape and fit.scale else ""
    )
    no_law = {
        "covariate": "still fit after a year",
        "estimate": share_still_fit(npmle(lower, upper, items=items), 1.0),
        "remark": f"share of the same items, no law of ageing assumed{by_weibull}",
    }
    return pd.DataFrame([by_law, no_law])


def _of_gap(exponent: GapExponent, limits_level: float) -> pd.DataFrame:
    reach = norm.ppf((1 + limits_level) / 2) * exponent.standard_error
    row = {
        "covariate": "exponent of the gap",
        "estimate": exponent.estimate,
        "estimate_lower": exponent.estimate - reach,
        "estimate_upper": exponent.estimate + reach,
        "remark": f"1 is a steady hazard; {exponent.words}",
    }
    return pd.DataFrame([row])


def _facts(fit: HazardFit) -> list[tuple[str, float, str]]:
    facts: list[tuple[str, float, str]] = []
    if fit.effect_sd is not None:
        facts.append(
            ("spread of places", fit.effect_sd, "standard deviation of log rates of places of one kind")
        )
    if fit.look_spread:
        spread = fit.look_spread
        facts.append(
            (
                "spread of looks",
                spread.look_sd,
                "standard deviation of a place's rate from look to look, relative to it",
            )
        )
        if spread.p_value is not None:
            facts.append(("test of fit", spread.p_value, "how often chance alone scatters looks as much"))
    return facts


def _none(table: str) -> pd.DataFrame:
    return pd.DataFrame(columns=load_contract(table).column_names)
