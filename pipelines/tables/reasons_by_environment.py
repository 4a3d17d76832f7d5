"""What each removal criterion brings about in each environment of a client, beside its other environments."""

import pandas as pd

from pipelines.contracts import risk_targets
from pipelines.models.reasons import criteria_by_environment


def reasons_by_environment(cells: pd.DataFrame) -> pd.DataFrame:
    """Return the table `reasons_by_environment`, from the rows of `reason_cells`."""
    return criteria_by_environment(cells, risk_targets())
