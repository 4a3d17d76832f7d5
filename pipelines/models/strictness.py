"""How strict the designated persons are, allowing for what they were given to inspect."""

import numpy as np
import pandas as pd

from pipelines.contracts import RiskTargets
from pipelines.models.benchmark.ranking import fitted_prior
from pipelines.models.comparisons import adjusted_for_several, compared_with_others, ratios_to_others
from pipelines.models.rates import joined_notes, note
from pipelines.models.reasons import is_beyond

# With two persons each is compared with the other alone: nothing tells how far persons differ in general.
LEAST_PERSONS = 3
# Spiegelhalter's advice for funnel plots, common practice: a ratio to less than one expected says nothing.
LEAST_EXPECTED = 1.0


def strictness_of_inspectors(cells: pd.DataFrame, targets: RiskTargets) -> pd.DataFrame:
    """Return what each designated person removed beside what others would have removed in their stead.

    Parameters
    ----------
    cells : DataFrame
        One row per person, place and quarter of a year: `client`, `inspector`, `site`, `environment`, `quarter`,
        `looks`, `inspected`, `removed` [items at periodic looks that close a gap], `shackle_years` of those looks.
    targets : RiskTargets
        Gives the least exposure for a rate, the level of the limits, and how rare chance must be.

    Returns
    -------
    DataFrame
        One row per client and person, the columns of the contract `inspector_strictness` but those about signals.

    Notes
    -----
    What is expected of a person are the removals that the rates of all others at the same place in the same quarter
    would have given; where they hardly looked there that quarter, their rates of the whole history of the place. Looks
    at places that nobody else ever looks at are not compared: strict people and hard service cannot be told apart
    there. So a ratio says how strict a person is beside those who shared their places, not in any absolute sense.

    The shrunken ratio is drawn toward the mean of the client's persons by how little is known of each. The
    probabilities by chance are adjusted for all persons of a client (Holm 1979). Both take for granted that items go
    one by one and that, within a place and quarter, persons meet items alike: whoever is sent where trouble is expected
    will look strict.

    References
    ----------
    Clayton, D. & Kaldor, J. (1987). Empirical Bayes estimates of age-standardized relative risks for use in disease
    mapping. Biometrics 43, 671-681 (from memory).
    """
    sums = cells.groupby(["client", "inspector"], as_index=False)[
        ["looks", "inspected", "shackle_years"]
    ].sum()
    place = ["site", "environment"]
    compared = compared_with_others(
        cells, ["client"], ["inspector"], [[*place, "quarter"], place], targets.least_shackle_years_for_a_rate
    )
    ratios = ratios_to_others(compared, targets.rate_limits_level)
    table = sums.merge(pd.concat([compared, ratios], axis="columns"), on=["client", "inspector"])
    is_known = table["expected_removals"] >= LEAST_EXPECTED
    shown = table[["ratio", "ratio_lower", "ratio_upper", "chance"]].where(is_known)
    adjusted = adjusted_for_several(shown["chance"], [table["client"]])
    shrunken = pd.Series(np.nan, index=table.index)
    for _, persons in table[is_known].groupby("client"):
        if len(persons) >= LEAST_PERSONS:
            counts = persons["removed_compared"], persons["expected_removals"]
            shape, rate = fitted_prior(*counts).posterior(*counts)
            shrunken[persons.index] = shape / rate
    return table.assign(
        strictness=shown["ratio"],
        strictness_lower=shown["ratio_lower"],
        strictness_upper=shown["ratio_upper"],
        shrunken_strictness=shrunken,
        difference_chance=adjusted,
        is_difference_beyond_chance=is_beyond(adjusted, targets),
        strictness_note=joined_notes(
            note(table["shackle_years_compared"] == 0, "nobody else looked at the same places"),
            note((table["shackle_years_compared"] > 0) & ~is_known, "under 1 removal expected"),
            note(
                is_known & shrunken.isna(),
                f"fewer than {LEAST_PERSONS} persons to compare, no shrunken ratio",
            ),
        ),
    )
